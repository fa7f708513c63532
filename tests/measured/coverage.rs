//! How often the intervals of levels and load steps hold what the noise-free bus shows over
//! the very windows that the diagnosis names.

use stiffbus::diagnosis::{Diagnosis, Direction, LoadStep};
use stiffbus::estimate::Estimate;
use stiffbus::log::Span;

use crate::figures::{Tally, mean_true};
use crate::matching::pair;
use crate::random_car::Case;

/// How often each kind of interval holds its truth.
#[derive(Debug, Clone, Default)]
pub struct Coverage {
    pub level: Tally,
    pub shift: Tally,
    pub sag: Tally,
    pub trough: Tally,
    pub recovery: Tally,
    pub lag: Tally,
    /// Steps whose windows hold another change of load.
    pub across: usize,
}

impl Coverage {
    pub fn kinds(&self) -> [(&'static str, &Tally); 6] {
        [
            ("level", &self.level),
            ("shift", &self.shift),
            ("sag", &self.sag),
            ("trough", &self.trough),
            ("recovery", &self.recovery),
            ("lag", &self.lag),
        ]
    }

    /// From 85 to 95 of 100 of each kind, and no window across another change.
    pub fn assert_calibrated(&self) {
        assert_eq!(self.across, 0, "levels were measured across a step");
        for (kind, tally) in self.kinds() {
            assert!((0.85..=0.95).contains(&tally.share()), "{kind} {tally}");
        }
    }

    pub fn merge(&mut self, other: Coverage) {
        self.across += other.across;
        let Coverage { level, shift, sag, trough, recovery, lag, .. } = other;
        for (mine, theirs) in [
            (&mut self.level, level),
            (&mut self.shift, shift),
            (&mut self.sag, sag),
            (&mut self.trough, trough),
            (&mut self.recovery, recovery),
            (&mut self.lag, lag),
        ] {
            mine.merge(theirs);
        }
    }

    /// `offset_v`: what a channel that cuts off, instead of rounding, takes from every
    /// reading, and no log shows.
    pub fn add_log(&mut self, case: &Case, diagnosis: &Diagnosis, offset_v: f64) {
        let samples_per_s = case.logger.samples_per_s;
        let found: Vec<&LoadStep> = diagnosis.load_steps.iter().collect();
        let truths = &case.simulated.truth.steps;
        for (i, j) in pair(truths, &found, 2.0) {
            let step = found[j];
            if !step.answered {
                continue;
            }
            let holds = |span: Span| {
                truths.iter().any(|t| {
                    let inside = span.start_s + 1e-6 < t.at_s && t.at_s < span.end_s - 1e-6;
                    inside && t.at_s != truths[i].at_s
                })
            };
            if holds(step.baseline_span) || holds(step.settled_span) {
                self.across += 1;
                continue;
            }
            let baseline_v = mean_true(case, step.baseline_span) + offset_v;
            let settled_v = mean_true(case, step.settled_span) + offset_v;
            if !(baseline_v.is_finite() && settled_v.is_finite()) {
                continue;
            }
            let tally = |tally: &mut Tally, estimate: &Estimate, truth: f64| {
                tally.add_interval(estimate.contains(truth), estimate.high - estimate.low);
            };
            tally(&mut self.level, &step.baseline_v, baseline_v);
            tally(&mut self.level, &step.settled_v, settled_v);
            tally(&mut self.shift, &step.shift_v, baseline_v - settled_v);
            if let Some(lag) = &step.lag {
                tally(&mut self.lag, lag, truths[i].at_s - truths[i].declared_at_s);
            }
            let Some(quiet) = Quiet::of(case, step, samples_per_s) else { continue };
            let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
            let trough_v = (sign * (quiet.extreme_v + offset_v)).min(sign * settled_v) * sign;
            tally(&mut self.trough, &step.trough, trough_v);
            tally(&mut self.sag, &step.sag_v, baseline_v - trough_v);
            if let Some(recovery) = &step.recovery
                && let Some(truth_s) = quiet.recovery_s(sign, settled_v - offset_v, recovery)
            {
                tally(&mut self.recovery, recovery, truth_s);
            }
        }
    }
}

/// The noise-free bus after a step, in the short means that a trough is looked for in.
struct Quiet {
    at_s: Vec<f64>,
    means_v: Vec<f64>,
    /// Index of the extreme one among the first ten seconds', and its value.
    extreme: usize,
    extreme_v: f64,
    width: usize,
}

impl Quiet {
    fn of(case: &Case, step: &LoadStep, samples_per_s: f64) -> Option<Quiet> {
        let time_s = &case.simulated.time_s;
        let at = |t_s: f64| time_s.partition_point(|t| t - time_s[0] < t_s - 1e-9);
        let (from, to) = (at(step.at_s), at(step.until_s));
        let width = ((0.15 * samples_per_s).round() as usize).max(1);
        let bus_v = case.simulated.truth.samples.bus_v.get(from..to)?;
        let means_v: Vec<f64> =
            bus_v.windows(width).map(|w| w.iter().sum::<f64>() / width as f64).collect();
        let sign = if step.direction == Direction::On { 1.0 } else { -1.0 };
        let at_s: Vec<f64> = time_s[from..to].iter().map(|t| t - time_s[0]).collect();
        let soon = at_s.iter().take_while(|t| **t < step.at_s + 10.0).count();
        let last = (soon + 1).checked_sub(width)?.min(means_v.len());
        let extreme =
            (0..last).min_by(|a, b| (sign * means_v[*a]).total_cmp(&(sign * means_v[*b])))?;
        Some(Quiet { extreme_v: means_v[extreme], at_s, means_v, extreme, width })
    }

    /// From the extreme until within the band that the estimate names.
    fn recovery_s(&self, sign: f64, settled_v: f64, estimate: &Estimate) -> Option<f64> {
        let words: Vec<&str> = estimate.how.split(' ').collect();
        let band_v: f64 = words.get(1)?.parse::<f64>().ok()? / 1000.0;
        let middle = self.extreme + self.width / 2;
        let back = (middle..self.means_v.len())
            .find(|&k| sign * (settled_v - self.means_v[k]) <= band_v)?;
        Some(self.at_s[back] - self.at_s[middle])
    }
}

impl std::fmt::Display for Coverage {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        for (kind, tally) in self.kinds() {
            write!(f, "\n    {kind}: {tally}")?;
        }
        write!(f, "\n    {} windows held another step", self.across)
    }
}
