//! The colours of the plots. They differ in lightness as well as in hue, so
//! that they stay apart in grey and for a colour-blind eye; every line is
//! labelled directly besides.

use plotters::style::RGBColor;
use serde::Serialize;

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

    fn hex(self) -> String {
        format!("#{:06X}", self.light)
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
pub const REST: Ink = ink(0x5C6168, 0xB5BBC2);
pub const DRAINING: Ink = ink(0xF2C9A1, 0x6B4320);
/// Drawn over that ground, so that grey paper tells it too.
pub const HATCH: Ink = ink(0xDDA36E, 0x8A5A30);
pub const DRAINING_TEXT: Ink = ink(0x9A4A00, 0xF0AC6C);
pub const SPEED: Ink = ink(0x7A3E8E, 0xCFA0E0);
pub const LANE: Ink = ink(0x4F6475, 0x93A9BA);
pub const STEP: Ink = ink(0xB9BEC4, 0x5C636B);
pub const TROUGH: Ink = ink(0xB3261E, 0xFF9A90);
pub const SETTLED: Ink = ink(0xA65A00, 0xF5B35C);
pub const RESTING: Ink = ink(0xEDEFF2, 0x24282D);
pub const CRANKING: Ink = ink(0xD9D3E6, 0x3B3450);
pub const RUNNING: Ink = ink(0xE4EFF8, 0x1D2B38);

/// Lines and marks of one plot told apart; shapes and dashes differ besides.
pub const SERIES: [Ink; 8] = [
    ink(0x0F4C81, 0x7DB7EA),
    ink(0xA65A00, 0xF5B35C),
    ink(0x7A3E8E, 0xCFA0E0),
    ink(0x0F7A80, 0x66D3DA),
    ink(0xB3261E, 0xFF9A90),
    ink(0x3A3F45, 0xC9CED4),
    ink(0x8C6D1F, 0xE0C66B),
    ink(0x4A4FB0, 0xA9AEF5),
];

const ALL: [Ink; 19] = [
    PLATE,
    TEXT,
    FAINT,
    GRID,
    FRAME,
    VOLTAGE,
    SETPOINT,
    REST,
    DRAINING,
    HATCH,
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

/// What the live picture of a log is drawn in, as the page's rules for dark know it.
#[derive(Debug, Serialize)]
pub struct LiveInks {
    text: String,
    faint: String,
    grid: String,
    frame: String,
    step: String,
    plate: String,
    draining: String,
    hatch: String,
    draining_text: String,
    rest: String,
    cranking: String,
    running: String,
}

pub fn live_inks() -> LiveInks {
    LiveInks {
        text: TEXT.hex(),
        faint: FAINT.hex(),
        grid: GRID.hex(),
        frame: FRAME.hex(),
        step: STEP.hex(),
        plate: PLATE.hex(),
        draining: DRAINING.hex(),
        hatch: HATCH.hex(),
        draining_text: DRAINING_TEXT.hex(),
        rest: RESTING.hex(),
        cranking: CRANKING.hex(),
        running: RUNNING.hex(),
    }
}

/// Of a channel: `place` is its place among all, the bus first. What shares a panel
/// never shares a colour.
pub fn channel_ink(role: &str, place: usize) -> String {
    let series = |k: usize| SERIES.get(k).copied().unwrap_or(VOLTAGE);
    let ink = match role {
        "load" => LANE,
        "engine_rpm" => SPEED,
        "alternator_rpm" => series(5),
        "voltage" => series([0, 1, 7].get(place).copied().unwrap_or(0)),
        "ground_drop" => series(6),
        "alternator_current" => series(3),
        "battery_current" => series(4),
        _ => series([3, 1, 5, 7].get(place % 4).copied().unwrap_or(3)),
    };
    ink.hex()
}

pub fn level_ink(kind: &str) -> String {
    let ink = match kind {
        "setpoint" => SETPOINT,
        "rest" => REST,
        _ => DRAINING_TEXT,
    };
    ink.hex()
}

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

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2, "relative luminance" and "contrast ratio".
    fn contrast(a: u32, b: u32) -> f64 {
        let luminance = |colour: u32| {
            let [_, r, g, b] = colour.to_be_bytes().map(|part| {
                let c = f64::from(part) / 255.0;
                if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1 for text.
    #[test]
    fn every_ink_that_writes_words_is_read_on_its_paper() {
        let words = [TEXT, FAINT, SETPOINT, REST, DRAINING_TEXT, TROUGH, SETTLED, LANE, SPEED];
        for ink in words.into_iter().chain(SERIES) {
            assert!(contrast(ink.light, PLATE.light) >= 4.5, "{ink:?} on light");
            assert!(contrast(ink.dark, PLATE.dark) >= 4.5, "{ink:?} on dark");
        }
        // Words on the bands of the phases.
        for band in [RESTING, CRANKING, RUNNING] {
            assert!(contrast(TEXT.light, band.light) >= 4.5, "{band:?}");
            assert!(contrast(TEXT.dark, band.dark) >= 4.5, "{band:?}, dark");
        }
    }
}
