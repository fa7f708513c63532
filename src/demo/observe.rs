//! Converts true values to what a logger writes: noise, then rounding.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::logger::{Logger, Noise, Shows};

/// One sample's true values, by channel.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueSample {
    pub values: Vec<f64>,
    /// Ripple at that moment, as a share of its full amplitude.
    pub ripple: f64,
}

/// Written numbers, by channel and sample.
pub fn written(logger: &Logger, true_samples: &[TrueSample], seed: u64) -> Vec<Vec<f64>> {
    logger
        .channels
        .iter()
        .enumerate()
        .map(|(index, channel)| {
            // Each channel has a random stream of its own, so that adding one does not change the
            // others.
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(index as u64 + 2);
            let mut voltage_noise = VoltageNoise { noise: logger.noise, slow_v: 0.0, begun: false };
            true_samples
                .iter()
                .map(|raw| {
                    let value = channel.sensed(raw.values.get(index).copied().unwrap_or(f64::NAN));
                    let noisy = match channel.shows {
                        Shows::Voltage(_) => {
                            value
                                + voltage_noise.next(&mut rng)
                                + logger.noise.ripple_v * raw.ripple
                        }
                        // A stopped engine reads exactly 0.
                        Shows::EngineRpm | Shows::AlternatorRpm if value < 1.0 => 0.0,
                        _ if channel.noise > 0.0 => value + channel.noise * normal(&mut rng),
                        _ => value,
                    };
                    channel.written(noisy)
                })
                .collect()
        })
        .collect()
}

struct VoltageNoise {
    noise: Noise,
    slow_v: f64,
    begun: bool,
}

impl VoltageNoise {
    fn next(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        let Noise { white_v, autoregressive_v, rho, .. } = self.noise;
        let fresh = autoregressive_v * normal(rng);
        // The first value has the stationary distribution.
        self.slow_v =
            if self.begun { rho * self.slow_v + (1.0 - rho * rho).sqrt() * fresh } else { fresh };
        self.begun = true;
        self.slow_v + white_v * normal(rng)
    }
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}
