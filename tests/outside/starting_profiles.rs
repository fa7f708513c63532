//! The starting profiles of ISO 16750-2 for 12 V (levels and times from memory),
//! after a rest and followed by charging, through the cranking detector: from
//! the voltage alone, at several sample rates, under noise.

use stiffbus::diagnosis::PhaseKind::{Cranking, Rest, Running};
use stiffbus::diagnosis::{Diagnosis, PhaseKind};

use crate::synthetic::{diagnosis, noise};

/// One profile of the standard.
#[derive(Debug, Clone, Copy)]
struct Profile {
    name: &'static str,
    /// First dip, as the starter grips.
    dip_v: f64,
    /// While the starter turns the engine,
    turning_v: f64,
    /// for so long,
    turning_s: f64,
    /// and the rise back.
    rise_s: f64,
}

/// From memory.
const PROFILES: [Profile; 4] = [
    Profile { name: "I", dip_v: 8.0, turning_v: 9.5, turning_s: 1.0, rise_s: 0.04 },
    Profile { name: "II", dip_v: 4.5, turning_v: 6.5, turning_s: 10.0, rise_s: 0.1 },
    Profile { name: "III", dip_v: 3.0, turning_v: 5.0, turning_s: 1.0, rise_s: 0.1 },
    Profile { name: "IV", dip_v: 6.0, turning_v: 6.5, turning_s: 10.0, rise_s: 0.1 },
];
/// From memory: the fall, the dip, and the rise to the turning level.
const FALL_S: f64 = 0.005;
const DIP_S: f64 = 0.019;
const OUT_OF_DIP_S: f64 = 0.05;

const REST_V: f64 = 12.6;
const STARTS_S: f64 = 15.03;
const CHARGED_V: f64 = 14.3;
const LASTS_S: f64 = 60.0;

impl Profile {
    /// Without noise.
    fn at(&self, t_s: f64) -> f64 {
        let mut left_s = t_s - STARTS_S;
        if left_s < 0.0 {
            return REST_V;
        }
        let parts = [
            (FALL_S, REST_V, self.dip_v),
            (DIP_S, self.dip_v, self.dip_v),
            (OUT_OF_DIP_S, self.dip_v, self.turning_v),
            (self.turning_s, self.turning_v, self.turning_v),
            (self.rise_s, self.turning_v, REST_V),
        ];
        for (seconds, from_v, to_v) in parts {
            if left_s < seconds {
                return from_v + (to_v - from_v) * left_s / seconds;
            }
            left_s -= seconds;
        }
        // The alternator takes over within a second or so.
        CHARGED_V - (CHARGED_V - REST_V) * (-left_s / 0.6).exp()
    }

    fn turning_ends_s(&self) -> f64 {
        STARTS_S + FALL_S + DIP_S + OUT_OF_DIP_S + self.turning_s
    }
}

fn kinds(diagnosis: &Diagnosis) -> Vec<PhaseKind> {
    diagnosis.phases.iter().map(|phase| phase.kind).collect()
}

#[test]
fn every_profile_is_found_at_every_rate() {
    for (k, profile) in PROFILES.iter().enumerate() {
        for rate_hz in [5.0, 10.0, 20.0, 50.0, 100.0, 500.0] {
            for sigma_v in [0.01, 0.05] {
                check(profile, rate_hz, sigma_v, k as u64);
            }
        }
    }
}

fn check(profile: &Profile, rate_hz: f64, sigma_v: f64, seed: u64) {
    let case = format!("{} at {rate_hz} Hz, noise {sigma_v} V", profile.name);
    let interval_s = 1.0 / rate_hz;
    let time_s: Vec<f64> =
        (0..(LASTS_S * rate_hz) as usize).map(|i| i as f64 * interval_s).collect();
    let mut hiss = noise(seed, sigma_v);
    let said = diagnosis(
        "time (s),battery voltage (V)",
        time_s.iter().map(|&t| vec![t, profile.at(t) + hiss()]),
    );
    assert_eq!(kinds(&said), [Rest, Cranking, Running], "{case}: {:?}", said.phases);

    // A boundary is known to one sample interval.
    let phase = &said.phases[1];
    let within = interval_s + 0.01;
    assert!((phase.start_s - STARTS_S).abs() <= within, "{case}: begins at {}", phase.start_s);
    let ends_s = profile.turning_ends_s();
    assert!(
        (ends_s - within..=ends_s + profile.rise_s + within).contains(&phase.end_s),
        "{case}: ends at {} and not {ends_s}",
        phase.end_s
    );

    // The lowest of the samples, the noise's own extremes aside.
    let (true_at_s, true_lowest_v) = time_s
        .iter()
        .map(|&t| (t, profile.at(t)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .expect("samples");
    let cranking = said.cranking.as_ref().unwrap_or_else(|| panic!("{case}: no cranking"));
    assert!(
        (cranking.lowest_v - true_lowest_v).abs() <= 4.5 * sigma_v,
        "{case}: lowest {} and not {true_lowest_v}",
        cranking.lowest_v
    );
    if true_lowest_v < profile.turning_v - 9.0 * sigma_v {
        assert!(
            (cranking.at_s - true_at_s).abs() <= DIP_S + OUT_OF_DIP_S,
            "{case}: lowest at {} and not {true_at_s}",
            cranking.at_s
        );
    } else {
        assert!((phase.start_s..=phase.end_s).contains(&cranking.at_s), "{case}: {cranking:?}");
    }
    let back_s = cranking.return_to_setpoint_s.unwrap_or_else(|| panic!("{case}: never back"));
    // The last 0.1 V of the rise above take 1.7 s.
    assert!(back_s <= 3.5, "{case}: back after {back_s} s");
}
