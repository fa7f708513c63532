//! The paper that a picture of one panel is drawn on, and the size of its letters.

#[derive(Debug, Clone, Copy)]
pub struct Paper {
    pub width: i32,
    /// Where the panel begins and ends.
    pub left: i32,
    pub right: i32,
    pub top: i32,
    /// Height of the letters.
    pub size: i32,
    /// Labels along the horizontal axis, about.
    pub ticks: usize,
    /// What the marks mean stands below the picture, not beside it.
    pub narrow: bool,
}

impl Paper {
    /// With room for names beside the panel.
    pub const WIDE: Paper = Paper {
        width: 1100,
        left: 74,
        right: 1100 - 370,
        top: 88,
        size: 16,
        ticks: 9,
        narrow: false,
    };
    /// For a narrow screen, where a picture is shown at about half its size.
    pub const NARROW: Paper =
        Paper { width: 640, left: 76, right: 640 - 20, top: 110, size: 22, ticks: 5, narrow: true };

    /// From one line of text to the next.
    pub fn line(&self) -> i32 {
        self.size + 8
    }
}
