//! Marks on a sheet, in whole pixels of the viewBox. The backend writes the
//! SVG; here stand our few kinds of mark and what makes the document whole.

use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, DrawingAreaErrorKind, IntoDrawingArea};
use plotters::element::{Circle, DashedPathElement, PathElement, Polygon, Rectangle, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, IntoFont, IntoTextStyle, ShapeStyle};

use super::compact::compact;
use super::palette::{Ink, PLATE, TEXT};
use crate::report::format::{cut_to, plain};

pub type DrawError = DrawingAreaErrorKind<std::io::Error>;
pub type Drawn = Result<(), DrawError>;
pub type Point = (i32, i32);

/// What a reader who cannot see the plot is told.
pub struct Caption<'a> {
    /// Unique within a page; ids in the document begin with it.
    pub id: &'a str,
    pub title: String,
    pub description: String,
}

/// Make one SVG document. `draw` fills a sheet of `size` pixels.
pub fn document(
    caption: &Caption,
    size: (u32, u32),
    draw: impl FnOnce(&Canvas) -> Drawn,
) -> String {
    let mut body = String::new();
    let drawn = {
        let canvas = Canvas { area: SVGBackend::with_string(&mut body, size).into_drawing_area() };
        canvas
            .fill((0, 0), (size.0 as i32, size.1 as i32), PLATE, 1.0)
            .and_then(|()| draw(&canvas))
            .and_then(|()| canvas.area.present())
    };
    if let Err(error) = drawn {
        // Writing to memory does not fail; should it ever, the reader is told.
        body = format!(
            "<svg>\n<text x=\"10\" y=\"30\">{}</text>\n</svg>\n",
            escape(&format!("This plot could not be drawn: {error}"))
        );
    }
    // The backend's opening tag knows neither title nor a size that yields.
    let inside = compact(body.split_once('>').map_or("", |(_, rest)| rest));
    let Caption { id, title, description } = caption;
    let (width, height) = size;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" \
         width=\"{width}\" height=\"{height}\" font-family=\"sans-serif\" role=\"img\" \
         aria-labelledby=\"{id}-title {id}-desc\">\n\
         <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-desc\">{}</desc>{inside}",
        escape(title),
        escape(description),
    )
}

fn escape(text: &str) -> String {
    plain(text).replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// Width of `text` set at `size` pixels. The reader's font is unknown: this is
/// a wide sans, so that what fits here fits everywhere.
pub fn text_width(text: &str, size: i32) -> i32 {
    (text.chars().map(ems).sum::<f64>() * f64::from(size)).ceil() as i32
}

fn ems(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' => 0.34,
        'f' | 'r' | 't' | '(' | ')' | '[' | ']' | '-' | '/' => 0.41,
        'w' | '−' | '+' | '=' | '<' | '>' => 0.84,
        'm' | 'M' | 'W' | '%' | '@' | '…' | '\u{FFFD}' => 1.0,
        c if c.is_ascii_uppercase() => 0.73,
        c if (c as u32) >= 0x1100 => 1.05,
        _ => 0.64,
    }
}

/// `text` cut so that it fits `width` pixels.
pub fn fit(text: &str, size: i32, width: i32) -> String {
    let room = f64::from(width) / f64::from(size.max(1));
    cut_to(text, room, ems)
}

/// A heading that fits: bold runs about an eighth wider.
pub fn fit_bold(text: &str, size: i32, width: i32) -> String {
    fit(text, bold(size), width)
}

/// The size whose plain text is as wide as bold of `size`.
pub fn bold(size: i32) -> i32 {
    size + size.div_euclid(8) + 1
}

#[derive(Clone, Copy)]
pub struct Type {
    pub size: i32,
    pub ink: Ink,
    pub bold: bool,
    pub across: HPos,
    pub along: VPos,
}

impl Type {
    pub fn new(size: i32) -> Self {
        Type { size, ink: TEXT, bold: false, across: HPos::Left, along: VPos::Center }
    }

    pub fn ink(self, ink: Ink) -> Self {
        Type { ink, ..self }
    }

    pub fn bold(self) -> Self {
        Type { bold: true, ..self }
    }

    pub fn middle(self) -> Self {
        Type { across: HPos::Center, ..self }
    }

    pub fn right(self) -> Self {
        Type { across: HPos::Right, ..self }
    }
}

/// Pixels from one line of a hatched ground to the next.
const HATCH_GAP: usize = 14;

pub struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
}

impl Canvas<'_> {
    pub fn fill(&self, from: Point, to: Point, ink: Ink, opacity: f64) -> Drawn {
        let (left, right) = (from.0.min(to.0), from.0.max(to.0));
        let (top, bottom) = (from.1.min(to.1), from.1.max(to.1));
        if left == right || top == bottom {
            return Ok(());
        }
        self.area
            .draw(&Rectangle::new([(left, top), (right, bottom)], ink.rgb().mix(opacity).filled()))
    }

    /// A ground that is told from others by its lines as well as by its colour.
    pub fn hatched(&self, from: Point, to: Point, (ground, lines): (Ink, Ink)) -> Drawn {
        self.fill(from, to, ground, 0.55)?;
        let (left, right) = (from.0.min(to.0), from.0.max(to.0));
        let (top, bottom) = (from.1.min(to.1), from.1.max(to.1));
        let (width, height) = (right - left, bottom - top);
        for offset in (-height..width).step_by(HATCH_GAP) {
            // Up to the right, from where it enters the ground to where it leaves it.
            let (enters, leaves) = ((-offset).max(0), height.min(width - offset));
            let at = |by: i32| (left + offset + by, bottom - by);
            if leaves > enters {
                self.line(vec![at(enters), at(leaves)], lines, 1)?;
            }
        }
        Ok(())
    }

    pub fn line(&self, points: Vec<Point>, ink: Ink, width: u32) -> Drawn {
        self.area.draw(&PathElement::new(points, stroke(ink, width)))
    }

    pub fn dashed(&self, from: Point, to: Point, dash: (i32, i32), ink: Ink, width: u32) -> Drawn {
        self.area.draw(&DashedPathElement::new([from, to], dash.0, dash.1, stroke(ink, width)))
    }

    pub fn polygon(&self, points: Vec<Point>, ink: Ink, opacity: f64) -> Drawn {
        self.area.draw(&Polygon::new(points, ink.rgb().mix(opacity).filled()))
    }

    pub fn dot(&self, at: Point, radius: i32, ink: Ink) -> Drawn {
        self.area.draw(&Circle::new(at, radius, ink.rgb().filled()))
    }

    pub fn ring(&self, at: Point, radius: i32, ink: Ink, width: u32) -> Drawn {
        self.area.draw(&Circle::new(at, radius, stroke(ink, width)))
    }

    /// A point of one series. Each has a shape: hue is not all that tells them apart.
    pub fn mark(&self, shape: usize, (x, y): Point, ink: Ink) -> Drawn {
        match shape % 4 {
            0 => self.dot((x, y), 3, ink),
            1 => self.fill((x - 3, y - 3), (x + 3, y + 3), ink, 1.0),
            2 => self.polygon(vec![(x - 4, y + 3), (x + 4, y + 3), (x, y - 4)], ink, 1.0),
            _ => self.ring((x, y), 3, ink, 1),
        }
    }

    pub fn text(&self, at: Point, text: &str, set: Type) -> Drawn {
        // The backend sets a font 1.24 times smaller than it is asked for.
        let mut font = ("sans-serif", f64::from(set.size) * 1.24).into_font();
        if set.bold {
            font = font.style(FontStyle::Bold);
        }
        let ink = set.ink.rgb();
        let style =
            font.into_text_style(&self.area).color(&ink).pos(Pos::new(set.across, set.along));
        self.area.draw(&Text::new(plain(text), at, style))
    }

    /// Text on a plate of its own, legible over lines.
    pub fn plated(&self, at: Point, text: &str, set: Type) -> Drawn {
        let width = text_width(text, set.size);
        let left = match set.across {
            HPos::Left => at.0,
            HPos::Center => at.0 - width / 2,
            HPos::Right => at.0 - width,
        };
        let half = set.size * 2 / 3;
        self.fill((left - 3, at.1 - half), (left + width + 3, at.1 + half), PLATE, 0.85)?;
        self.text(at, text, set)
    }
}

fn stroke(ink: Ink, width: u32) -> ShapeStyle {
    ink.rgb().stroke_width(width)
}
