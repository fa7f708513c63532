//! Alternator and regulator: output curve, loss by heat, setpoint and response.

use super::interpolate::{CurveError, MonotoneCubic};

/// Alternator speeds at which ISO 8854 states the idle-point and the rated
/// current (from memory).
pub const IDLE_POINT_RPM: f64 = 1500.0;
pub const RATED_POINT_RPM: f64 = 6000.0;

/// Current against alternator speed, cold (about 23 °C) and at 13.5 V, as ISO
/// 8854 draws it (from memory). Nothing below the turn-on speed, a monotone
/// cubic between the points. A bench's sheet may begin above the turn-on speed:
/// then nothing is known below its first point.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputCurve {
    curve: MonotoneCubic,
}

/// A value read off a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Output {
    pub amps_a: f64,
    /// The speed is below the first point of a curve that does not begin at
    /// 0 A; `amps_a` is the first point's, and the alternator delivers less.
    pub before_first_point: bool,
    /// The speed is beyond the curve's last point; `amps_a` is the last point's.
    pub beyond_last_point: bool,
}

impl OutputCurve {
    /// Points of alternator rpm and amps, by rising speed. The first is the
    /// turn-on speed and must have 0 A; amps may not fall.
    pub fn new(points: &[(f64, f64)]) -> Result<Self, CurveError> {
        let curve = Self::of_bench(points)?;
        match points.first() {
            Some(&(_, amps)) if amps != 0.0 => Err(CurveError::NoTurnOn(amps)),
            _ => Ok(curve),
        }
    }

    /// Points as a test bench gives them: the first need not be the turn-on
    /// speed. By rising speed; amps may not fall.
    pub fn of_bench(points: &[(f64, f64)]) -> Result<Self, CurveError> {
        let curve = MonotoneCubic::new(points)?;
        for (index, pair) in points.windows(2).enumerate() {
            if pair[1].1 < pair[0].1 {
                let (y, before) = (pair[1].1, pair[0].1);
                return Err(CurveError::Falling { number: index + 2, y, before });
            }
        }
        Ok(OutputCurve { curve })
    }

    /// A curve of common shape for a rated current (common practice, no source;
    /// a third of it at the idle point).
    pub fn typical(rated_a: f64) -> Result<Self, CurveError> {
        Self::stretched(rated_a, 1.0)
    }

    /// As [`OutputCurve::typical`], every speed `factor` times as high.
    pub fn stretched(rated_a: f64, factor: f64) -> Result<Self, CurveError> {
        Self::shaped(rated_a, factor, 1.0)
    }

    /// As [`OutputCurve::stretched`], every share of the rating to the power of `bend`:
    /// below one it comes up sooner.
    pub fn shaped(rated_a: f64, factor: f64, bend: f64) -> Result<Self, CurveError> {
        const SHARES: [(f64, f64); 8] = [
            (1100.0, 0.0),
            (IDLE_POINT_RPM, 0.33),
            (2000.0, 0.56),
            (2500.0, 0.70),
            (3000.0, 0.79),
            (4000.0, 0.90),
            (RATED_POINT_RPM, 1.0),
            (9000.0, 1.03),
        ];
        Self::new(&SHARES.map(|(rpm, share)| (rpm * factor, share.powf(bend) * rated_a)))
    }

    /// Speed of the first and of the last point. The first is the turn-on speed
    /// where the curve begins at 0 A.
    pub fn speeds_rpm(&self) -> (f64, f64) {
        self.curve.domain()
    }

    pub fn output(&self, alternator_rpm: f64) -> Output {
        let (first_rpm, last_rpm) = self.curve.domain();
        Output {
            amps_a: self.curve.at(alternator_rpm),
            before_first_point: alternator_rpm < first_rpm && self.curve.at(first_rpm) > 0.0,
            beyond_last_point: alternator_rpm > last_rpm,
        }
    }

    /// Amps where the curve is known: between its points, and 0 below a turn-on speed.
    pub fn known_a(&self, alternator_rpm: f64) -> Option<f64> {
        let output = self.output(alternator_rpm);
        let told = !output.before_first_point && !output.beyond_last_point;
        (told && output.amps_a.is_finite()).then_some(output.amps_a)
    }

    /// The lowest alternator speed that gives `amps_a` with the output scaled by
    /// `factor` (heat); `None` where the curve never gets there. Of a curve that
    /// begins above 0 A, no lower than its first point.
    pub fn rpm_for(&self, amps_a: f64, factor: f64) -> Option<f64> {
        let (_, last_rpm) = self.curve.domain();
        (self.curve.at(last_rpm) * factor >= amps_a).then(|| self.curve.inverse(amps_a / factor))
    }
}

/// The speed at which a curve tested at `test_v` is read for an alternator at full output at
/// `bus_v`: an ideal alternator's EMF and its reactance both rise with speed, I = √((k·n)² − U²)/(l·n), so its current depends on n/U alone. With
/// iron, copper and diode losses it moves less: between this and not at all.
pub fn as_tested_rpm(alternator_rpm: f64, bus_v: f64, test_v: f64) -> f64 {
    alternator_rpm * test_v / bus_v
}

/// Loss of output as the alternator heats, linear from `cold_c` to `soaked_c` and
/// level outside. Common practice, no source: 10 to 25 % from cold to soaked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Derating {
    pub cold_c: f64,
    pub soaked_c: f64,
    /// Share of the cold output lost when soaked, 0 to 1.
    pub lost_share: f64,
}

impl Derating {
    /// Output over cold output.
    pub fn factor(&self, temperature_c: f64) -> f64 {
        let warmth = (temperature_c - self.cold_c) / (self.soaked_c - self.cold_c);
        1.0 - self.lost_share * warmth.clamp(0.0, 1.0)
    }
}

/// The regulator's target. The setpoint falls as it warms, roughly 7 to 10
/// mV/°C for a 12 V system (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Regulator {
    /// Setpoint at 25 °C.
    pub setpoint_25c_v: f64,
    /// Negative: the setpoint falls with heat.
    pub per_degree_v: f64,
    /// How far the held voltage falls from no output to full output.
    pub droop_v: f64,
    /// Time constant with which the alternator's current follows its demand: the
    /// field winding's inertia, 0.1 to 0.3 s (common practice, no source).
    pub response_s: f64,
}

impl Regulator {
    /// The setpoint in force at a regulator temperature.
    pub fn setpoint_v(&self, temperature_c: f64) -> f64 {
        self.setpoint_25c_v + self.per_degree_v * (temperature_c - 25.0)
    }

    /// The voltage held at `share` (0 to 1) of full output.
    pub fn held_v(&self, temperature_c: f64, share: f64) -> f64 {
        self.setpoint_v(temperature_c) - self.droop_v * share.clamp(0.0, 1.0)
    }

    /// The current `step_s` later: first order towards the demand, never more
    /// than `available_a`. Because the current lags, switching a load on sags
    /// the bus and switching one off lifts it above the setpoint for a moment.
    pub fn follow(&self, current_a: f64, demand_a: f64, available_a: f64, step_s: f64) -> f64 {
        let demand = demand_a.clamp(0.0, available_a.max(0.0));
        let next = demand + (current_a - demand) * (-step_s / self.response_s).exp();
        next.min(available_a.max(0.0))
    }
}
