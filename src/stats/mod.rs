//! Robust location and scale, autocorrelation, intervals, change points, fits. Nothing here knows
//! of cars.
//!
//! Every function takes plain slices, ignores NaN, never panics on any input
//! and gives the same bytes for the same input.

pub mod autocorrelation;
pub mod changepoint;
pub mod density;
pub mod find_indices;
pub mod fit;
pub mod interval;
pub mod line;
pub mod long_run;
pub mod min_max;
pub mod moments;
pub mod quantization;
pub mod resolution;
pub mod robust;
pub mod rounding;
#[cfg(test)]
mod test_noise;
pub mod value_counts;
pub mod weighted;

#[cfg(test)]
mod tests {
    use super::changepoint::{Trend, TrendWith, pelt};
    use super::fit::linear::{ordinary, theil_sen};
    use super::{
        autocorrelation, interval, line, long_run, moments, quantization, resolution, robust,
    };

    /// Any numbers give an answer or NaN, and never a panic or a hang.
    #[test]
    fn no_input_is_too_odd() {
        let odd = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::MAX,
            f64::MIN,
            f64::MIN_POSITIVE / 8.0,
            0.0,
            -0.0,
            14.4,
            14.4000001,
            1e-300,
            1e300,
        ];
        let mut state = 1u64;
        for run in 0..3000usize {
            let x: Vec<f64> = (0..run % 14)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    odd[(state >> 33) as usize % odd.len()]
                })
                .collect();
            let (y, p) = (x.iter().rev().copied().collect::<Vec<_>>(), odd[run % odd.len()]);
            for f in [
                moments::mean,
                moments::standard_deviation,
                robust::median,
                robust::difference_sigma,
                autocorrelation::lag1,
            ] {
                f(&x);
            }
            robust::quantile(&x, p);
            resolution::quantization_step(&x);
            let summary = |v: &[f64]| interval::Summary {
                mean: moments::mean(v),
                sigma: moments::standard_deviation(v),
                effective_n: v.len() as f64,
            };
            interval::welch(summary(&x), summary(&y), p);
            quantization::true_sigma(p, odd[run % 7], run % 3);
            let pieces = [
                long_run::Piece::new(&x, run % 5, &[&y]),
                long_run::Piece::new(&y, run % 4, &[&x, &y, &x]),
            ];
            let search =
                long_run::SearchLimits { longest: p, usual: odd[run % 5], least_usual: 0.0 };
            long_run::PooledNoise::of(&pieces, &search);
            line::Line::in_pieces(&pieces, p, odd[run % 5]);
            robust::calm_sigma(&x);
            if run % 10 == 0 {
                let shape = long_run::Shape::of_time(odd[run % 5], 1.0);
                let scatter = quantization::Scatter { sigma: p, shape, dof: f64::INFINITY };
                quantization::mean_half_width(run, &scatter, Some(odd[run % 7]), 0.9);
            }
            for (min_size, jump) in [(0, 0), (1, 1), (3, 2), (usize::MAX, usize::MAX)] {
                let ends = pelt(&Trend::new(&x), p, min_size, jump);
                assert_eq!(ends.last(), (!x.is_empty()).then_some(&x.len()), "{x:?}");
                let ends = pelt(&TrendWith::new(&x, &y, 1.0, p), 1.0, min_size, jump);
                assert_eq!(ends.last(), (!x.is_empty()).then_some(&x.len()), "{x:?}");
            }
            let _ = ordinary(&x, &y);
            let _ = theil_sen(&x, &y);
        }
    }
}
