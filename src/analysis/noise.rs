//! The bus voltage's own scatter, and how well so many samples tell it.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::analysis::{LEVEL, Z90};
use crate::diagnosis::Noise;
use crate::estimate::{Estimate, Grade};
use crate::segment::Grain;

/// Of the logger's own samples, whatever is looked at.
pub fn noise(grain: &Grain) -> Noise {
    let grain = &grain.of_readings();
    let correlation_time = correlation_time(grain);
    Noise {
        sigma_v: grain.sigma_v,
        sigma: Some(sigma(grain)),
        correlation_time_s: correlation_time.value,
        correlation_time: Some(correlation_time),
    }
}

/// ν·s²/σ² is χ² with ν degrees of freedom; of samples with memory so many as
/// are independent.
fn sigma(grain: &Grain) -> Estimate {
    let freedom = (grain.freedom / grain.memory_samples).max(1.0);
    let end = |p: f64| match ChiSquared::new(freedom) {
        Ok(chi) => grain.sigma_v * (freedom / chi.inverse_cdf(p)).sqrt(),
        Err(_) => grain.sigma_v,
    };
    let tail = (1.0 - LEVEL) / 2.0;
    let how = "scatter around straight lines through short steady pieces";
    Estimate::new(grain.sigma_v, end(1.0 - tail), end(tail), Grade::Measured, how)
}

/// The variance of an integrated time τ over N samples, summed to M lags, is
/// about τ²·(4M + 2)/N (Sokal, *Monte Carlo Methods in Statistical Mechanics*,
/// 1997, from memory), here with M = 3τ. Never less than one sample.
fn correlation_time(grain: &Grain) -> Estimate {
    let samples = grain.memory_samples;
    let (share, grade, how) = if grain.memory_seen {
        let variance = (4.0 * 3.0 * samples + 2.0) / grain.freedom.max(1.0);
        (Z90 * variance.sqrt(), Grade::Measured, "autocorrelation of that scatter")
    } else {
        (1.0, Grade::Assumed, "allowed for: no steady piece is long enough to show it")
    };
    let [low, high] = [samples * (1.0 - share), samples * (1.0 + share)];
    let seconds = |samples: f64| samples * grain.interval_s;
    Estimate::new(seconds(samples), seconds(low.max(1.0).min(samples)), seconds(high), grade, how)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::nominal::Nominal;

    fn grain(freedom: f64, memory_samples: f64) -> Grain {
        Grain {
            sigma_v: 0.01,
            unrounded_sigma_v: 0.01,
            memory_samples,
            freedom,
            memory_seen: true,
            step_v: None,
            interval_s: 0.1,
            reading: None,
            nominal: Nominal::V12,
        }
    }

    /// The table of the NIST/SEMATECH e-Handbook, 1.3.6.7.4: χ² with 100 degrees
    /// of freedom is 77.929 at 5 % and 124.342 at 95 %. By hand: 10 mV·√(100/124.342)
    /// = 8.968 mV and 10 mV·√(100/77.929) = 11.328 mV.
    #[test]
    fn sigma_is_as_sure_as_its_independent_samples_are_many() {
        let e = sigma(&grain(300.0, 3.0));
        assert!((e.low - 0.008_968).abs() < 1e-6, "{e:?}");
        assert!((e.high - 0.011_328).abs() < 1e-6, "{e:?}");
    }

    /// By hand: 3 samples, √((36 + 2)/3800) = 0.1, so ± 16.45 %.
    #[test]
    fn memory_is_told_in_seconds() {
        let e = correlation_time(&grain(3800.0, 3.0));
        assert!((e.value - 0.3).abs() < 1e-12);
        assert!((e.low - 0.250_65).abs() < 1e-9 && (e.high - 0.349_35).abs() < 1e-9, "{e:?}");
        // White noise: it cannot be less than a sample.
        assert!((correlation_time(&grain(1000.0, 1.0)).low - 0.1).abs() < 1e-12);
    }
}
