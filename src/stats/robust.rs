//! Location and scale that a few wild values cannot move.

use super::moments::Sum;
use super::value_counts::{self, ValueCounts};
use crate::parallel::shared;

/// MAD of a normal sample to its standard deviation: 1/Φ⁻¹(3/4).
const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Middle value; the mean of the two middle ones for an even count. NaN when there is no value.
pub fn median(x: &[f64]) -> f64 {
    quantile(x, 0.5)
}

/// Sample quantile, type 7 of Hyndman & Fan (The American Statistician 50, 1996):
/// linear between order statistics at (n − 1)p. `p` is held to 0…1. NaN when
/// there is no value or `p` is NaN.
pub fn quantile(x: &[f64], p: f64) -> f64 {
    let mut values: Vec<f64> = x.iter().copied().filter(|v| !v.is_nan()).collect();
    quantile_of(&mut values, p)
}

/// As [`quantile`], in linear time and in place; `values` hold no NaN and get reordered.
fn quantile_of(values: &mut [f64], p: f64) -> f64 {
    if values.is_empty() || p.is_nan() {
        return f64::NAN;
    }
    let position = (values.len() - 1) as f64 * p.clamp(0.0, 1.0);
    let below = position.floor() as usize;
    let share = position - below as f64;
    let (_, &mut low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    if share == 0.0 {
        return low;
    }
    let high = above.iter().copied().fold(f64::INFINITY, f64::min);
    low + share * (high - low)
}

/// Median of the differences between neighbors, and their standard deviation from the median
/// absolute deviation, 1.4826·MAD (Hampel, JASA 69, 1974; 0 when more than half are equal). Both
/// are NaN without a difference. The work is shared among the cores; a regular clock has few
/// different differences, so they are counted.
pub fn median_and_sigma_of_steps(x: &[f64]) -> (f64, f64) {
    let step = |pair: &[f64]| match pair {
        [a, b] => b - a,
        _ => f64::NAN,
    };
    let starts: Vec<usize> = (0..x.len()).step_by(STEPS_AT_ONCE).collect();
    let of_part = |part: &[usize]| {
        let of = |start: &usize| x.get(*start..(start + STEPS_AT_ONCE + 1).min(x.len()));
        ValueCounts::of(part.iter().filter_map(of).flat_map(|own| own.windows(2).map(step)))
    };
    let parts = shared(&starts, 1, of_part);
    let all = parts.into_iter().reduce(|all, part| all?.and(&part?));
    if let Some(counts) = all.flatten().map(|counted| counted.counts()) {
        let center = value_counts::quantile(counts.clone(), 0.5);
        let off = counts.into_iter().map(|(v, count)| ((v - center).abs(), count)).collect();
        return (center, MAD_TO_SIGMA * value_counts::quantile(off, 0.5));
    }
    let mut steps: Vec<f64> = x.windows(2).map(step).filter(|v| !v.is_nan()).collect();
    let center = quantile_of(&mut steps, 0.5);
    steps.iter_mut().for_each(|v| *v = (*v - center).abs());
    (center, MAD_TO_SIGMA * quantile_of(&mut steps, 0.5))
}

/// The nondecreasing series closest to `x` in least squares, by pooling neighbors that
/// violate the order (Ayer & others, Annals of Mathematical Statistics 26, 1955; from
/// memory). A NaN stays by itself.
pub fn nondecreasing(x: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for &value in x {
        let mut last = (value, 1);
        while let Some(&before) = blocks.last().filter(|before| before.0 > last.0) {
            blocks.pop();
            let count = before.1 + last.1;
            let sum = before.0 * before.1 as f64 + last.0 * last.1 as f64;
            last = (sum / count as f64, count);
        }
        blocks.push(last);
    }
    blocks.into_iter().flat_map(|(value, count)| std::iter::repeat_n(value, count)).collect()
}

const STEPS_AT_ONCE: usize = 1 << 16;

/// Standard deviation of white noise on a slowly moving level, from first differences.
///
/// Differences remove the level; √2 converts them to single values. Their
/// scale is a root mean square over the differences that are no more than four
/// standard deviations from zero, which a level step or a spike cannot move.
/// The first guess of that limit is the MAD. A plain MAD will not do as the
/// answer: on a quantized series it knows only multiples of the step.
///
/// Where more than half of the differences are zero (noise below the
/// resolution) the MAD is zero, and the limit comes from the others. If most of
/// those are one step of the grid, two steps are the limit, so that level steps
/// beyond do not count; otherwise (values held for some samples) four standard
/// deviations by their median. Noise that moves fewer than one difference in fifty
/// cannot be separated from level steps and is reported as 0.
///
/// Positively correlated noise reads low: by √(1 − ρ₁) for lag-1 correlation ρ₁.
/// The result includes the quantization noise; see
/// [`true_sigma`](super::quantization::true_sigma). A difference across a NaN is
/// skipped. NaN for fewer than two neighboring values.
pub fn difference_sigma(x: &[f64]) -> f64 {
    let mut steps: Vec<f64> = x
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some((b - a).abs()).filter(|d| d.is_finite()),
            _ => None,
        })
        .collect();
    if steps.is_empty() {
        return f64::NAN;
    }
    let mut scale = MAD_TO_SIGMA * quantile_of(&mut steps, 0.5);
    if scale > 0.0 {
        // The second pass corrects a first guess that the resolution made coarse.
        for _ in 0..2 {
            scale = root_mean_square(&steps, TRIM_SIGMAS * scale) / TRIMMED_RMS;
        }
    } else {
        scale = root_mean_square(&steps, limit_of_rare_moves(&steps));
    }
    scale / std::f64::consts::SQRT_2
}

/// As [`difference_sigma`], from the calm half of the series: of every twelve values the two
/// largest differences are dropped, and the median over all twelves is taken. Level steps as
/// frequent as one in six values, or a bus that moves in half of the series, do not count as
/// noise; with a step in every twelve values the result is a sixth too high. Values that are each
/// held for up to six samples are used without the repeats, and the result is scaled by their
/// share. Fewer than twenty-four values are left to [`difference_sigma`].
pub fn calm_sigma(x: &[f64]) -> f64 {
    if x.len() < 2 * CALM {
        return difference_sigma(x);
    }
    let plain = calm_chunks(x);
    if plain > 0.0 {
        return plain;
    }
    let mut moves = x.to_vec();
    moves.dedup();
    let share = moves.len() as f64 / x.len() as f64;
    if share < LEAST_HELD || moves.len() < 2 * CALM {
        return plain;
    }
    share.sqrt() * calm_chunks(&moves)
}

fn calm_chunks(x: &[f64]) -> f64 {
    let scales: Vec<f64> = x
        .chunks_exact(CALM)
        .filter_map(|chunk| {
            let mut squares = [0.0; CALM - 1];
            for (square, pair) in squares.iter_mut().zip(chunk.windows(2)) {
                *square = (pair[1] - pair[0]).powi(2);
            }
            squares.sort_by(f64::total_cmp);
            let kept: f64 = squares.iter().take(CALM - 3).sum();
            kept.is_finite().then_some(kept)
        })
        .collect();
    (median(&scales) / ((CALM - 3) as f64 * 2.0)).sqrt() / CALM_SHARE
}

const CALM: usize = 12;
/// A value held for more than six samples is a level.
const LEAST_HELD: f64 = 1.0 / 6.0;
/// Share of the scale of normal noise that this keeps (a million simulated chunks).
const CALM_SHARE: f64 = 0.692;

/// The largest difference that is still noise where most differences are zero.
fn limit_of_rare_moves(steps: &[f64]) -> f64 {
    let mut moves: Vec<f64> = steps.iter().copied().filter(|d| *d > 0.0).collect();
    if (moves.len() as f64) < FEWEST_MOVES * steps.len() as f64 {
        return 0.0;
    }
    let smallest = moves.iter().copied().fold(f64::INFINITY, f64::min);
    let usual = quantile_of(&mut moves, 0.5);
    // Decimals make one step of a converter's grid now 0.04, now 0.05.
    if usual <= 1.5 * smallest { 2.5 * usual } else { TRIM_SIGMAS * MAD_TO_SIGMA * usual }
}

const TRIM_SIGMAS: f64 = 4.0;
/// RMS of a standard normal cut at ±4: √(1 − 2·4·φ(4)/(2Φ(4) − 1)).
const TRIMMED_RMS: f64 = 0.999_464_6;
/// Share of differences that must move for the moves to be noise.
const FEWEST_MOVES: f64 = 0.02;

fn root_mean_square(values: &[f64], limit: f64) -> f64 {
    let mut sum = Sum::default();
    let mut n = 0usize;
    for v in values.iter().filter(|v| **v <= limit) {
        sum.add(v * v);
        n += 1;
    }
    if n == 0 { 0.0 } else { (sum.value() / n as f64).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::test_noise::white as noise;

    fn median_and_sigma(x: &[f64]) -> (f64, f64) {
        let center = median(x);
        let deviations: Vec<f64> = x.iter().map(|v| (v - center).abs()).collect();
        (center, MAD_TO_SIGMA * median(&deviations))
    }

    #[test]
    fn nothing_has_no_median() {
        for f in [median, difference_sigma] {
            assert!(f(&[]).is_nan());
            assert!(f(&[f64::NAN, f64::NAN]).is_nan());
        }
        assert!(difference_sigma(&[1.0]).is_nan());
        assert!(quantile(&[1.0], f64::NAN).is_nan());
    }

    #[test]
    fn location_and_scale_at_once_are_those_of_their_own() {
        let mut x = noise(5000, 0.3, 9);
        x[17] = f64::NAN;
        let steps: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
        assert_eq!(median_and_sigma_of_steps(&x), median_and_sigma(&steps));
        // A clock whose intervals are all different.
        let uneven: Vec<f64> = (0..5000).map(|k| f64::from(k).powf(1.3)).collect();
        let steps: Vec<f64> = uneven.windows(2).map(|w| w[1] - w[0]).collect();
        assert_eq!(median_and_sigma_of_steps(&uneven), median_and_sigma(&steps));
        // One with a few, over more than are counted at once.
        let regular: Vec<f64> = (0..200_000).map(|k| f64::from(k / 3 * 4 + k % 3) * 0.01).collect();
        let steps: Vec<f64> = regular.windows(2).map(|w| w[1] - w[0]).collect();
        assert_eq!(median_and_sigma_of_steps(&regular), median_and_sigma(&steps));
        assert!(median_and_sigma_of_steps(&[f64::NAN]).0.is_nan());
    }

    #[test]
    fn one_value_is_every_quantile() {
        for p in [-1.0, 0.0, 0.3, 1.0, 7.0] {
            assert_eq!(quantile(&[3.0], p), 3.0);
        }
    }

    /// Worked by hand from the type-7 formula: position (n − 1)p.
    #[test]
    fn quantiles_lie_between_order_statistics() {
        let x = [4.0, f64::NAN, 1.0, 3.0, 2.0];
        assert_eq!(median(&x), 2.5);
        assert_eq!(quantile(&x, 0.25), 1.75);
        assert_eq!(quantile(&x, 1.0), 4.0);
    }

    #[test]
    fn differences_see_noise_through_steps_and_spikes() {
        let mut x = noise(20_000, 0.01, 1);
        for (i, v) in x.iter_mut().enumerate() {
            *v += if (i / 700) % 2 == 0 { 14.4 } else { 13.1 };
            if i % 97 == 0 {
                *v -= 3.0;
            }
        }
        let sigma = difference_sigma(&x);
        assert!((sigma / 0.01 - 1.0).abs() < 0.03, "{sigma}");
    }

    /// What rounding does to the variance of a difference, averaged over levels,
    /// is σ² + step²/12 less what stays in the level; here against a direct
    /// count on the same rounded series, outliers apart.
    #[test]
    fn differences_survive_rounding() {
        for ratio in [0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.5] {
            let step = 0.05;
            let clean: Vec<f64> = noise(50_000, ratio * step, 2)
                .iter()
                .enumerate()
                .map(|(i, v)| ((14.0 + i as f64 * 2e-5 + v) / step).round() * step)
                .collect();
            let n = clean.len() as f64;
            let plain =
                (clean.windows(2).map(|p| (p[1] - p[0]).powi(2)).sum::<f64>() / n / 2.0).sqrt();
            let mut spiked = clean.clone();
            for v in spiked.iter_mut().step_by(1000) {
                *v += 2.0;
            }
            let sigma = difference_sigma(&spiked);
            assert!((sigma / plain - 1.0).abs() < 0.04, "{ratio}: {sigma} {plain}");
        }
    }

    /// By hand: 3 and 1 pool to 2.
    #[test]
    fn a_rising_fit_pools_what_falls() {
        assert_eq!(nondecreasing(&[0.0, 3.0, 1.0, 4.0]), [0.0, 2.0, 2.0, 4.0]);
        assert_eq!(nondecreasing(&[5.0, 4.0, 3.0]), [4.0; 3]);
        assert_eq!(nondecreasing(&[]), [0.0; 0]);
    }

    #[test]
    fn a_calm_scale_is_that_of_the_noise() {
        let mut x = noise(60_000, 0.01, 5);
        let sigma = calm_sigma(&x);
        assert!((sigma / 0.01 - 1.0).abs() < 0.02, "{sigma}");
        // A level step every ten samples is no noise.
        x.iter_mut().enumerate().for_each(|(i, v)| *v += if i / 10 % 2 == 0 { 13.0 } else { 14.0 });
        let sigma = calm_sigma(&x);
        assert!((0.01..0.012).contains(&sigma), "{sigma}");
        assert_eq!(calm_sigma(&[14.0; 50]), 0.0);
        // One volt up and down every ten samples of a quiet log is none either.
        let steps: Vec<f64> = (0..600).map(|i| if i / 10 % 2 == 0 { 13.0 } else { 14.0 }).collect();
        assert_eq!(calm_sigma(&steps), 0.0);
        let held: Vec<f64> = noise(8000, 1.0, 4).iter().flat_map(|v| [*v; 5]).collect();
        assert!((calm_sigma(&held) * 5f64.sqrt() - 1.0).abs() < 0.05);
        assert!(calm_sigma(&[14.0]).is_nan());
    }

    /// Every value held for five samples: the differences carry a fifth of the variance.
    #[test]
    fn held_values_are_seen() {
        let x: Vec<f64> = noise(8000, 1.0, 4).iter().flat_map(|v| [*v; 5]).collect();
        let sigma = difference_sigma(&x);
        assert!((sigma * 5f64.sqrt() - 1.0).abs() < 0.03, "{sigma}");
    }

    #[test]
    fn a_bare_level_step_is_no_noise() {
        let x: Vec<f64> = (0..1000).map(|i| if i < 500 { 14.0 } else { 13.0 }).collect();
        assert_eq!(difference_sigma(&x), 0.0);
        assert_eq!(difference_sigma(&[14.0; 50]), 0.0);
    }
}
