//! What a logger makes of the truth: which channels, how often, how badly.

use chrono::NaiveDateTime;

use super::dialect::Dialect;
use crate::log::{Place, Tap};

/// What a channel shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    Voltage(Tap),
    EngineRpm,
    AlternatorRpm,
    AlternatorCurrent,
    /// Positive: charging.
    BatteryCurrent,
    Temperature(Place),
    /// Index into the car's loads.
    Load(usize),
}

/// How a load's state is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadWords {
    ZeroOne,
    OnOff,
    TrueFalse,
    YesNo,
    DutyPercent,
}

/// A column of the log.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    pub shows: Shows,
    /// Its name, without the unit.
    pub header: String,
    /// As written: "V", "mV", "°F"; empty where the logger names none.
    pub unit: String,
    /// Written value = value × `scale` + `offset`; value in V, A, rpm, °C, duty.
    pub scale: f64,
    pub offset: f64,
    /// Step of the written value; 0 where it is finer than `decimals`.
    pub resolution: f64,
    pub decimals: usize,
    /// White noise of the value itself. Voltages take [`Noise`] instead.
    pub noise: f64,
    /// What nobody knows of this sensor: it shows value × (1 + `gain_error`) +
    /// `zero_error`, in the value's own unit. A clamp is never zeroed perfectly.
    pub gain_error: f64,
    pub zero_error: f64,
    pub words: LoadWords,
}

impl Channel {
    /// A channel in plain units and 0/1 words, with `resolution` in those units.
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

    /// Written in another unit: value × `scale` + `offset`, in steps of `resolution`.
    pub fn scaled(mut self, scale: f64, offset: f64, resolution: f64) -> Self {
        (self.scale, self.offset, self.resolution) = (scale, offset, resolution);
        self.decimals = decimals_of(resolution);
        self
    }

    pub fn noisy(mut self, noise: f64) -> Self {
        self.noise = noise;
        self
    }

    /// A sensor that is off, unknown to whoever reads the log.
    pub fn off_by(mut self, gain_error: f64, zero_error: f64) -> Self {
        (self.gain_error, self.zero_error) = (gain_error, zero_error);
        self
    }

    /// What the sensor shows of a true value, before noise.
    pub fn sensed(&self, value: f64) -> f64 {
        value * (1.0 + self.gain_error) + self.zero_error
    }

    pub fn worded(mut self, words: LoadWords) -> Self {
        self.words = words;
        self
    }

    /// The written number for a value: scaled, then to the nearest step.
    pub fn written(&self, value: f64) -> f64 {
        let scaled = value * self.scale + self.offset;
        if self.resolution > 0.0 {
            (scaled / self.resolution).round() * self.resolution
        } else {
            scaled
        }
    }

    /// The value that a written number stands for.
    pub fn value(&self, written: f64) -> f64 {
        (written - self.offset) / self.scale
    }
}

/// The digits after the point that a step needs: at most 4.
fn decimals_of(resolution: f64) -> usize {
    (0..4)
        .find(|&digits| {
            let shifted = resolution * 10f64.powi(digits);
            (shifted - shifted.round()).abs() < 1e-9 && shifted.round() > 0.0
        })
        .unwrap_or(4) as usize
}

/// Noise of the voltage channels, in V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    pub white_v: f64,
    /// Standard deviation of a first-order autoregressive part.
    pub autoregressive_v: f64,
    /// Its correlation from sample to sample, 0 to 1.
    pub rho: f64,
    /// Amplitude of the rectifier's ripple at full output; aliased, as loggers do.
    pub ripple_v: f64,
}

impl Noise {
    /// Standard deviation without the ripple.
    pub fn sigma_v(&self) -> f64 {
        self.white_v.hypot(self.autoregressive_v)
    }
}

/// A recording device and its habits.
#[derive(Debug, Clone, PartialEq)]
pub struct Logger {
    pub samples_per_s: f64,
    /// Standard deviation of a sample's time, as a share of the interval.
    pub jitter_share: f64,
    pub channels: Vec<Channel>,
    /// The tap that the truth is told for.
    pub bus: Tap,
    pub noise: Noise,
    pub started_at: NaiveDateTime,
    pub dialect: Dialect,
}
