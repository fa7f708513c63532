//! The nearest whole number, for long columns.

/// Added to this (1.5 · 2⁵²) a number has no room left for a fraction.
const NO_FRACTION: f64 = 6_755_399_441_055_744.0;
/// Beyond this (2⁵¹) the sum would be too coarse.
const FURTHEST: f64 = 2_251_799_813_685_248.0;

/// The nearest whole number, the even one of two (IEEE 754, round to nearest): what
/// [`f64::round_ties_even`] gives, in a fraction of the time on processors that have no
/// instruction for it. A number of 2⁵¹ or more either way is left as it is: it holds halves
/// at best.
pub fn nearest(x: f64) -> f64 {
    let whole = (x + NO_FRACTION) - NO_FRACTION;
    if x.abs() < FURTHEST { whole } else { x }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_standard_librarys() {
        let odd =
            [0.0, 0.5, 1.5, 2.5, 0.49999999999999994, 1e9 + 0.5, 1.3e15 + 0.75, FURTHEST - 0.5];
        for x in odd.into_iter().flat_map(|x| [x, -x]) {
            assert_eq!(nearest(x), x.round_ties_even(), "{x}");
        }
        for k in -40_000..40_000 {
            let x = f64::from(k) * 0.137;
            assert_eq!(nearest(x), x.round_ties_even(), "{x}");
        }
        assert!(nearest(f64::NAN).is_nan());
        for x in [f64::INFINITY, f64::NEG_INFINITY, FURTHEST, 1e300, -1e300] {
            assert_eq!(nearest(x), x);
        }
    }
}
