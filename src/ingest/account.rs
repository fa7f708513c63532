//! Account of everything that was left out of a log, and why.

use super::error::clip;
use crate::log::{BadCell, Skipped};

pub const BLANK: &str = "blank row";
pub const REPEATED_HEADER: &str = "repeated header";
pub const REPEATED_UNITS: &str = "repeated units row";
pub const TOO_MANY_CELLS: &str = "ragged row: too many cells";
pub const TOO_FEW_CELLS: &str = "ragged row: too few cells";
pub const TRUNCATED: &str = "truncated last row";
pub const NO_TIME: &str = "time not readable";
pub const NO_VOLTAGE: &str = "no voltage in this row";
pub const NOT_MEASURED_AGAIN: &str = "voltage repeated from an earlier row, not measured again";
pub const SUPPLY_OFF: &str = "logger supply off (0 V)";
pub const STEPS_BACK: &str = "time steps back";
pub const JUMPS_AHEAD: &str = "time jumps ahead and returns";
pub const REPEATED_TIME: &str = "repeated time";
pub const PAUSED: &str = "before or after a pause of more than a day";
pub const RESTARTED: &str = "in a shorter stretch of a clock that restarts";

/// At most this many bad cells are listed individually.
const LISTED: usize = 20;

#[derive(Debug, Clone, Default)]
pub struct Account {
    /// Choices that the user may want to override, one text each.
    pub notices: Vec<String>,
    pub skipped: Vec<Skipped>,
    pub bad_cells: usize,
    pub bad_cells_first: Vec<BadCell>,
}

impl Account {
    pub fn skip(&mut self, reason: &str, count: usize, line: usize) {
        if count == 0 {
            return;
        }
        match self.skipped.iter_mut().find(|known| known.reason == reason) {
            Some(known) => {
                known.count += count;
                known.first_line = known.first_line.min(line);
            }
            None => {
                self.skipped.push(Skipped { reason: reason.to_owned(), count, first_line: line })
            }
        }
    }

    pub fn bad_cell(&mut self, line: usize, column: &str, found: &str) {
        self.bad_cells += 1;
        if self.bad_cells_first.len() < LISTED {
            self.bad_cells_first.push(BadCell {
                line,
                column: column.to_owned(),
                found: clip(found),
            });
        }
    }

    /// `; skipped: 3 × blank row (first at line 7), …`; empty if no row was skipped.
    pub fn sentence(&self) -> String {
        if self.skipped.is_empty() {
            return String::new();
        }
        let parts: Vec<String> = self
            .skipped
            .iter()
            .map(|s| format!("{} × {} (first at line {})", s.count, s.reason, s.first_line))
            .collect();
        format!("; skipped: {}", parts.join(", "))
    }
}
