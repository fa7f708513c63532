//! True steps against told ones.

use std::fmt;

use stiffbus::demo::truth::StepTruth;
use stiffbus::diagnosis::LoadStep;

/// Found, missed, false.
#[derive(Debug, Clone, Copy, Default)]
pub struct Score {
    pub found: usize,
    pub missed: usize,
    pub wrong: usize,
}

impl Score {
    pub fn f1(&self) -> f64 {
        2.0 * self.found as f64 / (2 * self.found + self.missed + self.wrong) as f64
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(
            f,
            "F1 {:.4} (found {}, missed {}, false {})",
            self.f1(),
            self.found,
            self.missed,
            self.wrong
        )
    }
}

/// Pairs of (true, told) indices, nearest in time first, each used once, no
/// further apart than `within_s`.
pub fn pair(truths: &[StepTruth], told: &[&LoadStep], within_s: f64) -> Vec<(usize, usize)> {
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (i, truth) in truths.iter().enumerate() {
        for (j, step) in told.iter().enumerate() {
            let apart_s = (truth.at_s - step.at_s).abs();
            if apart_s <= within_s && truth.direction == step.direction {
                near.push((apart_s, i, j));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut used_i, mut used_j) = (vec![false; truths.len()], vec![false; told.len()]);
    near.into_iter()
        .filter(|&(_, i, j)| {
            let free = !used_i[i] && !used_j[j];
            if free {
                (used_i[i], used_j[j]) = (true, true);
            }
            free
        })
        .map(|(_, i, j)| (i, j))
        .collect()
}
