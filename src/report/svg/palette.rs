//! The colours of the plots. They differ in lightness as well as in hue, so
//! that they stay apart in grey and for a colour-blind eye; every line is
//! labelled directly besides.

use plotters::style::RGBColor;

/// A colour on light ground and its stand-in on dark ground.
#[derive(Debug, Clone, Copy)]
pub struct Ink {
    light: u32,
    dark: u32,
}

impl Ink {
    pub fn rgb(self) -> RGBColor {
        let [_, r, g, b] = self.light.to_be_bytes();
        RGBColor(r, g, b)
    }
}

const fn ink(light: u32, dark: u32) -> Ink {
    Ink { light, dark }
}

pub const PLATE: Ink = ink(0xFFFFFF, 0x1A1D21);
pub const TEXT: Ink = ink(0x22262B, 0xE3E6EA);
pub const FAINT: Ink = ink(0x5B636C, 0xA9B1BA);
pub const GRID: Ink = ink(0xE3E6E9, 0x31363C);
pub const FRAME: Ink = ink(0x9AA2AA, 0x6B737C);
pub const VOLTAGE: Ink = ink(0x0F4C81, 0x7DB7EA);
pub const SETPOINT: Ink = ink(0x1E7D4F, 0x6FCF9C);
pub const REST: Ink = ink(0x6A6F76, 0xB5BBC2);
pub const DRAINING: Ink = ink(0xF2C9A1, 0x6B4320);
pub const DRAINING_TEXT: Ink = ink(0x9A4A00, 0xF0AC6C);
pub const SPEED: Ink = ink(0x7A3E8E, 0xCFA0E0);
pub const LANE: Ink = ink(0x4F6475, 0x93A9BA);
pub const STEP: Ink = ink(0xB9BEC4, 0x5C636B);
pub const TROUGH: Ink = ink(0xB3261E, 0xFF9A90);
pub const SETTLED: Ink = ink(0xC26A00, 0xF5B35C);
pub const RESTING: Ink = ink(0xEDEFF2, 0x24282D);
pub const CRANKING: Ink = ink(0xD9D3E6, 0x3B3450);
pub const RUNNING: Ink = ink(0xE4EFF8, 0x1D2B38);

/// Lines and marks of one plot told apart; shapes and dashes differ besides.
pub const SERIES: [Ink; 8] = [
    ink(0x0F4C81, 0x7DB7EA),
    ink(0xC26A00, 0xF5B35C),
    ink(0x7A3E8E, 0xCFA0E0),
    ink(0x12858C, 0x66D3DA),
    ink(0xB3261E, 0xFF9A90),
    ink(0x3A3F45, 0xC9CED4),
    ink(0x8C6D1F, 0xE0C66B),
    ink(0x4A4FB0, 0xA9AEF5),
];

const ALL: [Ink; 18] = [
    PLATE,
    TEXT,
    FAINT,
    GRID,
    FRAME,
    VOLTAGE,
    SETPOINT,
    REST,
    DRAINING,
    DRAINING_TEXT,
    SPEED,
    LANE,
    STEP,
    TROUGH,
    SETTLED,
    RESTING,
    CRANKING,
    RUNNING,
];

/// CSS that turns an inlined plot dark: rules outrank presentation attributes,
/// so the plot itself can stay as it is printed.
pub fn dark_rules() -> String {
    let mut inks: Vec<Ink> = ALL.into_iter().chain(SERIES).collect();
    inks.sort_by_key(|ink| ink.light);
    inks.dedup_by_key(|ink| ink.light);
    inks.iter()
        .map(|Ink { light, dark }| {
            format!(
                ".plot [fill=\"#{light:06X}\"]{{fill:#{dark:06x}}}\
                 .plot [stroke=\"#{light:06X}\"]{{stroke:#{dark:06x}}}\n"
            )
        })
        .collect()
}
