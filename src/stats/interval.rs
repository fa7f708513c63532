//! Intervals for means and differences of means, with correlated samples counted at their worth.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::autocorrelation::{effective_size, integrated_time};
use super::moments::{count, mean, squared_deviations};

pub use super::quantisation::{true_sigma, window_mean_half_width};

/// A value and the interval it lies in at the level asked for, all in the unit of the data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

impl Interval {
    pub fn around(value: f64, half_width: f64) -> Self {
        Interval { value, low: value - half_width, high: value + half_width }
    }

    pub fn half_width(self) -> f64 {
        (self.high - self.low) / 2.0
    }

    pub fn contains(self, truth: f64) -> bool {
        self.low <= truth && truth <= self.high
    }
}

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

/// What an interval needs to know of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    pub mean: f64,
    /// Standard deviation of single samples.
    pub sigma: f64,
    /// Independent samples this one is worth; the count itself if they are independent.
    pub effective_n: f64,
}

impl Summary {
    /// From a series, its effective size from its own autocorrelation.
    ///
    /// Deviations are taken from the series' own mean, which correlated samples
    /// follow: E Σ(xᵢ−x̄)² = σ²(n − τ), so that is the divisor (n − 1 when
    /// independent). Fewer than two samples have no sigma (NaN).
    pub fn of(x: &[f64]) -> Self {
        let n = count(x);
        // Two independent samples are the fewest that tell a spread.
        let tau = integrated_time(x).min(n as f64 / 2.0).max(1.0);
        let centre = mean(x);
        let freedom = n as f64 - tau;
        let sigma =
            if freedom > 0.0 { (squared_deviations(x, centre) / freedom).sqrt() } else { f64::NAN };
        Summary { mean: centre, sigma, effective_n: effective_size(n, tau) }
    }

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

/// Mean of `b` less mean of `a` with unequal variances (Welch, Biometrika 34, 1947), each with
/// its effective size. NaN where a side has fewer than two values.
///
/// Two samples without any spread differ by exactly what they differ: the
/// interval has no width, and `p` is 1 for equal means and 0 otherwise.
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
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn of(a: &[f64], b: &[f64]) -> Welch {
        welch(Summary::of(a), Summary::of(b), 0.9)
    }

    #[test]
    fn too_little_data_has_no_bounds() {
        let w = of(&[1.0], &[2.0, 3.0]);
        assert!(w.low.is_nan() && w.p.is_nan());
    }

    #[test]
    fn constants_differ_exactly() {
        let w = of(&[1.0; 5], &[3.0; 5]);
        assert_eq!((w.difference, w.low, w.high, w.p), (2.0, 2.0, 2.0, 0.0));
        assert_eq!(of(&[1.0; 5], &[1.0; 5]).p, 1.0);
    }

    #[test]
    fn nan_is_ignored() {
        assert_eq!(of(&[1.0, 2.0, f64::NAN], &[1.5, 2.5]), of(&[1.0, 2.0], &[1.5, 2.5]));
    }

    /// Student's t at 5 % each side, the textbook table.
    #[test]
    fn student_quantiles_are_the_tables() {
        for (dof, t) in [(1.0, 6.3138), (5.0, 2.0150), (30.0, 1.6973)] {
            assert!((student_quantile(0.9, dof) - t).abs() < 1e-4);
        }
    }

    /// Coverage over 2000 seeded series; the short and strongly correlated one is
    /// the hardest case and is allowed to be a little narrow.
    #[test]
    fn ninety_per_cent_is_ninety_per_cent() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        for (phi, n, least, most) in
            [(0.0, 60, 0.88, 0.94), (0.5, 300, 0.87, 0.93), (0.8, 1000, 0.87, 0.93)]
        {
            let mut hits = 0;
            for _ in 0..2000 {
                let mut level: f64 = StandardNormal.sample(&mut rng);
                let x: Vec<f64> = (0..n)
                    .map(|_| {
                        let z: f64 = StandardNormal.sample(&mut rng);
                        level = phi * level + (1.0f64 - phi * phi).sqrt() * z;
                        level
                    })
                    .collect();
                let s = Summary::of(&x);
                let half = student_quantile(0.9, s.effective_n - 1.0) * s.squared_error().sqrt();
                hits += usize::from(s.mean.abs() <= half);
            }
            let coverage = hits as f64 / 2000.0;
            assert!((least..=most).contains(&coverage), "φ {phi}: {coverage}");
        }
    }
}
