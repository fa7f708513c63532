//! The grid of a series of readings, from the values alone.

/// Values used; a longer series is sampled evenly.
const LOOKED_AT: usize = 200_000;
/// Two values between which readings alternate this often are one step apart.
const TO_AND_FRO: usize = 10;
/// A grid that random values would fit more often than this is rejected.
const CHANCE: f64 = 1e-3;

/// Step of the grid that the values are on, in their unit.
///
/// There are two cases. *Decimals*: text carries values rounded to some
/// decimal place, so everything is on a grid of that place or of a whole
/// multiple of it. *Converter*: a coarser step of any size, itself rounded to
/// those decimals: a 0.0488 grid printed with two decimals has gaps of 0.04 and
/// 0.05, and 0.0488 is its step, not 0.01. The coarser step is taken where all
/// values fit it to within the rounding and would not do so by chance; else the
/// greatest common divisor of the decimal gaps.
///
/// A converter step of less than two decimal units cannot be seen through the
/// rounding: the decimal unit is then the resolution. Values may carry the
/// binary rounding of single precision. `None` for a constant, for two values
/// that do not keep alternating, and for values too fine to resolve.
pub fn quantization_step(x: &[f64]) -> Option<f64> {
    let stride = x.len().div_ceil(LOOKED_AT).max(1);
    let mut values: Vec<f64> =
        x.iter().step_by(stride).copied().filter(|v| v.is_finite()).collect();
    let moves = values.windows(2).filter(|w| w.first() != w.last()).count();
    values.sort_by(f64::total_cmp);
    let largest = values.first()?.abs().max(values.last()?.abs());
    let decimals = Decimals::of(&values, largest);
    // Half a unit in the last place of single precision, with room to spare.
    let blur = decimals.map_or(largest * 1e-7, |d| d.unit * 1e-3);
    values.dedup_by(|next, kept| *next - *kept <= blur);
    match values.as_slice() {
        [] | [_] => return None,
        [a, b] => return (moves >= TO_AND_FRO).then_some(b - a),
        _ => {}
    }
    match decimals {
        Some(d) => lattice(&values, d.unit / 2.0).or_else(|| Some(d.common_divisor(&values))),
        None => lattice(&values, blur),
    }
}

/// The decimal place every value is rounded to.
#[derive(Clone, Copy)]
struct Decimals {
    unit: f64,
    per_unit: f64,
}

impl Decimals {
    fn of(values: &[f64], largest: f64) -> Option<Self> {
        let found = |tolerance: f64, places: std::ops::RangeInclusive<i32>| {
            places.map(|d| 10f64.powi(d)).find(|per_unit| {
                // Beyond a tenth of a unit the tolerance would admit anything.
                tolerance * per_unit < 0.02
                    && values.iter().all(|v| {
                        let scaled = v * per_unit;
                        (scaled - scaled.round()).abs() <= tolerance * per_unit
                    })
            })
        };
        found(largest * 4.0 * f64::EPSILON, 0..=6)
            .or_else(|| found(largest * 1e-7, 0..=4))
            .map(|per_unit| Decimals { unit: 1.0 / per_unit, per_unit })
    }

    fn common_divisor(self, values: &[f64]) -> f64 {
        let units = |gap: f64| (gap * self.per_unit).round() as u64;
        let divisor = gaps(values).fold(0u64, |acc, gap| greatest_common_divisor(acc, units(gap)));
        divisor.max(1) as f64 / self.per_unit
    }
}

fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

fn gaps(values: &[f64]) -> impl Iterator<Item = f64> + '_ {
    values.windows(2).filter_map(|w| match w {
        [a, b] => Some(b - a),
        _ => None,
    })
}

/// Step of a grid that all `values` (sorted, distinct) fit within ± `blur`.
///
/// The smallest gaps are one step each; their mean is a first guess, good
/// enough to count the steps in the next larger gaps, and so on upwards, each
/// gap making the guess better. A straight line of value on count then gives the
/// step, and its residuals the proof.
fn lattice(values: &[f64], blur: f64) -> Option<f64> {
    let smallest = gaps(values).fold(f64::INFINITY, f64::min);
    // Below two rounding units a count of steps is not unique.
    if smallest < 3.99 * blur {
        return None;
    }
    let mut ascending: Vec<f64> = gaps(values).collect();
    ascending.sort_by(f64::total_cmp);
    let single = |gap: &f64| *gap <= 1.5 * smallest + 1e-9 * smallest;
    let (mut length, mut steps) = (0.0, 0.0);
    for gap in ascending.iter().take_while(|g| single(g)) {
        length += gap;
        steps += 1.0;
    }
    for gap in ascending.iter().skip_while(|g| single(g)) {
        let count = (gap * steps / length).round();
        length += gap;
        steps += count;
    }
    let guess = length / steps;
    let mut counted = 0.0;
    let counts: Vec<f64> = std::iter::once(0.0)
        .chain(gaps(values).map(|gap| {
            counted += (gap / guess).round();
            counted
        }))
        .collect();
    let n = values.len() as f64;
    let origin = *values.first()?;
    let mean_count = counts.iter().sum::<f64>() / n;
    let mean_value = values.iter().map(|v| v - origin).sum::<f64>() / n;
    let (mut cross, mut square) = (0.0, 0.0);
    for (c, v) in counts.iter().zip(values) {
        cross += (c - mean_count) * (v - origin - mean_value);
        square += (c - mean_count) * (c - mean_count);
    }
    let step = cross / square;
    let worst = counts
        .iter()
        .zip(values)
        .map(|(c, v)| (v - origin - mean_value - step * (c - mean_count)).abs())
        .fold(0.0, f64::max);
    // Line and offset took two of the values' freedoms.
    let chance = (2.0 * blur / step).powf(n - 2.0);
    (worst <= 1.3 * blur && chance <= CHANCE).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::test_noise;

    fn noisy(n: usize, sigma: f64, seed: u64) -> Vec<f64> {
        let noise = test_noise::white(n, sigma, seed).into_iter().enumerate();
        noise.map(|(i, e)| 13.2 + 1.1 * (i as f64 / 400.0).sin() + e).collect()
    }

    fn on_grid(x: &[f64], step: f64) -> Vec<f64> {
        x.iter().map(|v| (v / step).round() * step).collect()
    }

    fn printed(x: &[f64], decimals: i32) -> Vec<f64> {
        let p = 10f64.powi(decimals);
        x.iter().map(|v| (v * p).round() / p).collect()
    }

    fn near(found: Option<f64>, step: f64, tolerance: f64) {
        assert!(found.is_some_and(|f| (f / step - 1.0).abs() < tolerance), "{found:?}, not {step}");
    }

    #[test]
    fn too_few_values_tell_no_step() {
        for x in [&[][..], &[14.0], &[14.4; 100], &[14.0, 14.1, 14.0], &[f64::NAN, f64::INFINITY]] {
            assert_eq!(quantization_step(x), None);
        }
    }

    #[test]
    fn decimal_grids_are_found() {
        let x = noisy(5000, 0.02, 1);
        for (step, decimals) in
            [(0.001, 3), (0.005, 3), (0.01, 2), (0.02, 2), (0.025, 3), (0.05, 2), (0.1, 1)]
        {
            near(quantization_step(&printed(&on_grid(&x, step), decimals)), step, 1e-6);
        }
    }

    #[test]
    fn binary_and_single_precision_rounding_do_not_matter() {
        let x = noisy(5000, 0.02, 2);
        for step in [0.005, 0.01, 0.0488, 5.0 / 1023.0, 20.0 / 1023.0, 0.1] {
            let grid = on_grid(&x, step);
            near(quantization_step(&grid), step, 1e-4);
            let single: Vec<f64> = grid.iter().map(|v| f64::from(*v as f32)).collect();
            near(quantization_step(&single), step, 1e-4);
        }
    }

    #[test]
    fn a_converter_step_shows_through_printed_decimals() {
        let x = noisy(5000, 0.05, 3);
        for (step, decimals) in
            [(0.0488, 2), (0.0488, 3), (0.0244, 2), (5.0 / 1023.0, 3), (20.0 / 1023.0, 3)]
        {
            near(quantization_step(&printed(&on_grid(&x, step), decimals)), step, 0.01);
        }
    }

    #[test]
    fn a_step_below_the_decimals_gives_the_decimals() {
        let x = printed(&on_grid(&noisy(5000, 0.02, 4), 5.0 / 1023.0), 2);
        near(quantization_step(&x), 0.01, 1e-6);
    }

    #[test]
    fn a_far_excursion_does_not_hide_the_step() {
        let mut x = printed(&on_grid(&noisy(3000, 0.02, 5), 0.0488), 2);
        x.extend(printed(&on_grid(&[9.6, 9.9, 10.4, 0.0], 0.0488), 2));
        near(quantization_step(&x), 0.0488, 0.01);
    }

    #[test]
    fn full_precision_has_no_step() {
        assert_eq!(quantization_step(&noisy(5000, 0.02, 6)), None);
        let single: Vec<f64> = noisy(5000, 0.02, 6).iter().map(|v| f64::from(*v as f32)).collect();
        assert_eq!(quantization_step(&single), None);
    }

    #[test]
    fn two_values_must_alternate() {
        let alternating: Vec<f64> = (0..40).map(|i| 14.3 + 0.1 * f64::from(i % 2)).collect();
        near(quantization_step(&alternating), 0.1, 1e-9);
        let stepped: Vec<f64> = (0..40).map(|i| if i < 20 { 14.3 } else { 12.1 }).collect();
        assert_eq!(quantization_step(&stepped), None);
    }

    #[test]
    fn three_values_are_enough() {
        near(quantization_step(&[14.0, 14.1, 14.2, 14.1]), 0.1, 1e-9);
        near(quantization_step(&[14.05, 14.10, 14.20]), 0.05, 1e-9);
    }
}
