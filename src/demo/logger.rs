//! Model of a logger: its channels, sampling rate and errors.

use chrono::NaiveDateTime;

use super::dialect::Dialect;
use crate::log::{Place, Tap};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    Voltage(Tap),
    EngineRpm,
    AlternatorRpm,
    AlternatorCurrent,
    /// Positive: charging.
    BatteryCurrent,
    /// Voltage drop on the ground side between alternator and battery, positive while the
    /// alternator delivers current.
    Ground,
    Temperature(Place),
    Load(usize),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadWords {
    ZeroOne,
    OnOff,
    TrueFalse,
    YesNo,
    DutyPercent,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    pub shows: Shows,
    pub header: String,
    /// As written: "V", "mV", "°F"; empty if the logger writes none.
    pub unit: String,
    /// Written value = value × `scale` + `offset`; value in V, A, rpm, °C, duty.
    pub scale: f64,
    pub offset: f64,
    /// Resolution of the written value; 0 if finer than `decimals`.
    pub resolution: f64,
    pub decimals: usize,
    /// Standard deviation of white noise. Voltages use [`Noise`] instead.
    pub noise: f64,
    /// Unknown errors of the sensor: it shows value × (1 + `gain_error`) + `zero_error`, in the
    /// unit of the value. No clamp is zeroed perfectly.
    pub gain_error: f64,
    pub zero_error: f64,
    pub words: LoadWords,
}

impl Channel {
    /// A channel without conversion, with 0/1 for loads.
    pub fn new(shows: Shows, header: &str, unit: &str, resolution: f64) -> Self {
        Channel {
            shows,
            header: header.into(),
            unit: unit.into(),
            scale: 1.0,
            offset: 0.0,
            resolution,
            decimals: decimals_of(resolution),
            noise: 0.0,
            gain_error: 0.0,
            zero_error: 0.0,
            words: LoadWords::ZeroOne,
        }
    }

    /// Written in another unit: value × `scale` + `offset`, with that resolution.
    pub fn scaled(mut self, scale: f64, offset: f64, resolution: f64) -> Self {
        (self.scale, self.offset, self.resolution) = (scale, offset, resolution);
        self.decimals = decimals_of(resolution);
        self
    }

    pub fn noisy(mut self, noise: f64) -> Self {
        self.noise = noise;
        self
    }

    /// A sensor with errors that the reader of the log does not know.
    pub fn off_by(mut self, gain_error: f64, zero_error: f64) -> Self {
        (self.gain_error, self.zero_error) = (gain_error, zero_error);
        self
    }

    /// The reading of the sensor for a true value, without noise.
    pub fn sensed(&self, value: f64) -> f64 {
        value * (1.0 + self.gain_error) + self.zero_error
    }

    pub fn worded(mut self, words: LoadWords) -> Self {
        self.words = words;
        self
    }

    /// The written number for a value: converted and rounded.
    pub fn written(&self, value: f64) -> f64 {
        let scaled = value * self.scale + self.offset;
        if self.resolution > 0.0 {
            (scaled / self.resolution).round() * self.resolution
        } else {
            scaled
        }
    }

    /// The value for a written number.
    pub fn value(&self, written: f64) -> f64 {
        (written - self.offset) / self.scale
    }
}

/// Number of decimals for a resolution, at most 4.
fn decimals_of(resolution: f64) -> usize {
    (0..4)
        .find(|&digits| {
            let shifted = resolution * 10f64.powi(digits);
            (shifted - shifted.round()).abs() < 1e-9 && shifted.round() > 0.0
        })
        .unwrap_or(4) as usize
}

/// Noise of the voltage channels, V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    pub white_v: f64,
    /// Standard deviation of the first-order autoregressive part.
    pub autoregressive_v: f64,
    /// Correlation from sample to sample of that part, 0 to 1.
    pub rho: f64,
    /// Amplitude of the rectifier ripple at full output; it is aliased, as in real loggers.
    pub ripple_v: f64,
}

impl Noise {
    /// Standard deviation without the ripple.
    pub fn sigma_v(&self) -> f64 {
        self.white_v.hypot(self.autoregressive_v)
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Logger {
    pub samples_per_s: f64,
    /// Standard deviation of the time of a sample, as a share of the interval.
    pub jitter_share: f64,
    pub channels: Vec<Channel>,
    /// The tap to which the truth refers.
    pub bus: Tap,
    pub noise: Noise,
    pub started_at: NaiveDateTime,
    pub dialect: Dialect,
}
