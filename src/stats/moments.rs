//! Mean and standard deviation that survive a large offset and a long series.

/// Sum with Neumaier's compensation (Neumaier, ZAMM 54, 1974): the rounding
/// error stays near one unit in the last place, however many terms.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sum {
    total: f64,
    lost: f64,
}

impl Sum {
    pub fn add(&mut self, term: f64) {
        let next = self.total + term;
        self.lost += if self.total.abs() >= term.abs() {
            (self.total - next) + term
        } else {
            (term - next) + self.total
        };
        self.total = next;
    }

    pub fn value(self) -> f64 {
        self.total + self.lost
    }
}

/// Number of values that are not NaN.
pub fn count(x: &[f64]) -> usize {
    x.iter().filter(|v| !v.is_nan()).count()
}

/// Arithmetic mean; NaN when there is no value.
pub fn mean(x: &[f64]) -> f64 {
    let mut sum = Sum::default();
    let mut n = 0usize;
    for &v in x.iter().filter(|v| !v.is_nan()) {
        sum.add(v);
        n += 1;
    }
    if n == 0 { f64::NAN } else { sum.value() / n as f64 }
}

/// Sample standard deviation (divisor n − 1) by two passes; NaN for fewer than two values.
pub fn standard_deviation(x: &[f64]) -> f64 {
    let n = count(x);
    if n < 2 {
        return f64::NAN;
    }
    (squared_deviations(x, mean(x)) / (n - 1) as f64).sqrt()
}

/// Σ(xᵢ − center)². The second sum removes what rounding left in the mean
/// (Chan, Golub & LeVeque, The American Statistician 37, 1983).
pub fn squared_deviations(x: &[f64], center: f64) -> f64 {
    let (mut squares, mut plain) = (Sum::default(), Sum::default());
    let mut n = 0usize;
    for &v in x.iter().filter(|v| !v.is_nan()) {
        let d = v - center;
        squares.add(d * d);
        plain.add(d);
        n += 1;
    }
    if n == 0 {
        return f64::NAN;
    }
    (squares.value() - plain.value() * plain.value() / n as f64).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_has_no_mean() {
        assert!(mean(&[]).is_nan());
        assert!(mean(&[f64::NAN]).is_nan());
        assert!(standard_deviation(&[1.0]).is_nan());
        assert!(squared_deviations(&[], 0.0).is_nan());
    }

    #[test]
    fn nan_is_ignored() {
        assert_eq!(mean(&[1.0, f64::NAN, 3.0]), 2.0);
        assert_eq!(standard_deviation(&[1.0, f64::NAN, 3.0]), 2f64.sqrt());
        assert_eq!(count(&[1.0, f64::NAN, 3.0]), 2);
    }

    #[test]
    fn a_constant_does_not_vary() {
        assert_eq!(standard_deviation(&[14.4; 1000]), 0.0);
    }

    #[test]
    fn a_lost_term_comes_back() {
        let mut sum = Sum::default();
        for term in [1e16, 1.0, -1e16] {
            sum.add(term);
        }
        assert_eq!(sum.value(), 1.0);
    }
}
