//! Student's t, and intervals for differences of means.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Two-sided Student t quantile: |t| stays under it with probability `level`.
/// NaN for a level outside (0, 1) or no degrees of freedom.
pub fn student_quantile(level: f64, dof: f64) -> f64 {
    if !(level > 0.0 && level < 1.0) {
        return f64::NAN;
    }
    match StudentsT::new(0.0, 1.0, dof) {
        Ok(t) => t.inverse_cdf(0.5 + level / 2.0),
        Err(_) => f64::NAN,
    }
}

/// What [`welch`] needs to know of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    pub mean: f64,
    /// Standard deviation of single samples.
    pub sigma: f64,
    /// Independent samples this one is worth; the count itself if they are independent.
    pub effective_n: f64,
}

impl Summary {
    fn squared_error(&self) -> f64 {
        self.sigma * self.sigma / self.effective_n
    }
}

/// Difference of two means, second minus first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    pub difference: f64,
    pub low: f64,
    pub high: f64,
    /// Welch–Satterthwaite degrees of freedom.
    pub dof: f64,
    /// Two-sided: chance of a difference this large if there were none.
    pub p: f64,
}

/// Mean of `b` minus mean of `a` with unequal variances (Welch, Biometrika 34, 1947), each with
/// its effective size. NaN where a side has fewer than two values.
///
/// Two samples without any spread give an interval without width, and a `p` of 1 for equal means
/// and 0 otherwise.
pub fn welch(a: Summary, b: Summary, level: f64) -> Welch {
    let difference = b.mean - a.mean;
    let (va, vb) = (a.squared_error(), b.squared_error());
    let total = va + vb;
    if total == 0.0 {
        let dof = a.effective_n + b.effective_n - 2.0;
        let p = if difference == 0.0 { 1.0 } else { 0.0 };
        return Welch { difference, low: difference, high: difference, dof, p };
    }
    // Shares first: the squares of very small variances would underflow.
    let (sa, sb) = (va / total, vb / total);
    let dof = 1.0 / (sa * sa / (a.effective_n - 1.0) + sb * sb / (b.effective_n - 1.0));
    let error = total.sqrt();
    let half = student_quantile(level, dof) * error;
    let p = match StudentsT::new(0.0, 1.0, dof) {
        Ok(t) => 2.0 * t.cdf(-(difference / error).abs()),
        Err(_) => f64::NAN,
    };
    Welch { difference, low: difference - half, high: difference + half, dof, p }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(a: (f64, f64, f64), b: (f64, f64, f64)) -> Welch {
        let [a, b] = [a, b].map(|(mean, sigma, effective_n)| Summary { mean, sigma, effective_n });
        welch(a, b, 0.9)
    }

    #[test]
    fn too_little_data_has_no_bounds() {
        let w = of((1.0, f64::NAN, 1.0), (2.5, 0.7, 2.0));
        assert!(w.low.is_nan() && w.p.is_nan());
    }

    #[test]
    fn constants_differ_exactly() {
        let w = of((1.0, 0.0, 5.0), (3.0, 0.0, 5.0));
        assert_eq!((w.difference, w.low, w.high, w.p), (2.0, 2.0, 2.0, 0.0));
        assert_eq!(of((1.0, 0.0, 5.0), (1.0, 0.0, 5.0)).p, 1.0);
    }
}
