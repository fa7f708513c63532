//! Noise of the bus voltage with its interval.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::diagnosis::Noise;
use crate::estimate::{Estimate, Grade};
use crate::estimate::{LEVEL, Z90};
use crate::segment::NoiseModel;

/// Noise of the logger's own samples.
pub fn noise(noise_model: &NoiseModel) -> Noise {
    let noise_model = &noise_model.of_readings();
    let correlation_time = correlation_time(noise_model);
    Noise {
        sigma_v: noise_model.sigma_v,
        sigma: Some(sigma(noise_model)),
        correlation_time_s: correlation_time.value,
        correlation_time: Some(correlation_time),
    }
}

/// ν·s²/σ² is χ² with ν degrees of freedom; correlated samples count as their effective number.
fn sigma(noise_model: &NoiseModel) -> Estimate {
    let dof = (noise_model.dof / noise_model.correlation_samples).max(1.0);
    let end = |p: f64| match ChiSquared::new(dof) {
        Ok(chi) => noise_model.sigma_v * (dof / chi.inverse_cdf(p)).sqrt(),
        Err(_) => noise_model.sigma_v,
    };
    let tail = (1.0 - LEVEL) / 2.0;
    let how = "scatter of steady running about its level and trend";
    Estimate::new(noise_model.sigma_v, end(1.0 - tail), end(tail), Grade::Measured, how)
}

/// As far as the long-run variance σ²τ is known: with ν degrees of freedom its logarithm
/// varies by 2/ν. Never less than one sample.
fn correlation_time(noise_model: &NoiseModel) -> Estimate {
    let samples = noise_model.correlation_samples;
    let (factor, grade, how) = if noise_model.correlation_seen {
        let factor = (Z90 * (2.0 / noise_model.long_run_dof).sqrt()).exp();
        (factor, Grade::Measured, "autocorrelation of that scatter")
    } else {
        (2.0, Grade::Assumed, "allowed for: no steady piece is long enough to show it")
    };
    let [low, high] = [samples / factor, samples * factor];
    let seconds = |samples: f64| samples * noise_model.interval_s;
    Estimate::new(seconds(samples), seconds(low.max(1.0).min(samples)), seconds(high), grade, how)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise_model(dof: f64, correlation_samples: f64) -> NoiseModel {
        NoiseModel { correlation_samples, dof, long_run_dof: 50.0, ..NoiseModel::white(0.01, 0.1) }
    }

    /// The table of the NIST/SEMATECH e-Handbook, 1.3.6.7.4: χ² with 100 degrees
    /// of freedom is 77.929 at 5 % and 124.342 at 95 %. By hand: 10 mV·√(100/124.342)
    /// = 8.968 mV and 10 mV·√(100/77.929) = 11.328 mV.
    #[test]
    fn sigma_is_as_sure_as_its_independent_samples_are_many() {
        let e = sigma(&noise_model(300.0, 3.0));
        assert!((e.low - 0.008_968).abs() < 1e-6, "{e:?}");
        assert!((e.high - 0.011_328).abs() < 1e-6, "{e:?}");
    }

    /// By hand: 3 samples, 1.645·√(2/50) = 0.329, e^0.329 = 1.38958.
    #[test]
    fn memory_is_told_in_seconds() {
        let e = correlation_time(&noise_model(3800.0, 3.0));
        assert!((e.value - 0.3).abs() < 1e-12);
        assert!((e.low - 0.215_893).abs() < 1e-5 && (e.high - 0.416_873).abs() < 1e-5, "{e:?}");
        // White noise: it cannot be less than a sample.
        assert!((correlation_time(&noise_model(1000.0, 1.0)).low - 0.1).abs() < 1e-12);
    }
}
