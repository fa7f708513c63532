//! The tables a mechanic works by (common practice, no source), through the
//! whole diagnosis of small synthetic logs.

use stiffbus::diagnosis::{Diagnosis, Severity, VerdictWord};

use crate::synthetic::{diagnosis, noise, raises};

/// Rest, a start, warm idle, 2000 rpm, idle again; lamps on now and then.
#[derive(Debug, Clone, Copy)]
struct Bus {
    rest_v: f64,
    cranking_v: f64,
    running_v: f64,
    /// Lost while the lamps are on, at idle.
    lamps_v: f64,
    /// From the alternator's post to the battery.
    drop_v: f64,
}

const SOUND: Bus =
    Bus { rest_v: 12.65, cranking_v: 10.4, running_v: 14.3, lamps_v: 0.02, drop_v: 0.1 };

fn said(bus: Bus) -> Diagnosis {
    let mut hiss = noise(7, 0.01);
    diagnosis(
        "time (s),battery voltage (V),alternator voltage (V),engine rpm,lamps",
        (0..1500).map(|i| {
            let t = f64::from(i) / 10.0;
            let rpm = match t {
                t if t < 20.0 => 0.0,
                t if t < 21.0 => 180.0,
                t if (80.0..110.0).contains(&t) => 2000.0,
                _ => 850.0,
            };
            let lamps = (40.0..60.0).contains(&t) || (90.0..100.0).contains(&t);
            let idles = rpm > 400.0 && rpm < 1000.0;
            let battery_v = match t {
                t if t < 20.0 => bus.rest_v,
                t if t < 21.0 => bus.cranking_v,
                _ if lamps && idles => bus.running_v - bus.lamps_v,
                _ => bus.running_v,
            };
            let drop_v = if t < 21.0 { 0.0 } else { bus.drop_v };
            let v = battery_v + hiss();
            vec![t, v, battery_v + drop_v + hiss(), rpm, f64::from(u8::from(lamps))]
        }),
    )
}

/// Common practice, no source: flooded, 25 °C, hours after charging.
#[test]
fn rest_voltage_to_state_of_charge() {
    for (rest_v, percent) in
        [(12.65, 100.0), (12.45, 75.0), (12.24, 50.0), (12.06, 25.0), (11.90, 0.0)]
    {
        let said = said(Bus { rest_v, ..SOUND });
        let rest = said.rest_voltage_v.as_ref().expect("a rest voltage");
        assert!((rest.value - rest_v).abs() < 0.005, "{rest:?}");
        let charge = said.state_of_charge_percent.as_ref().expect("a state of charge");
        // 2 mV of noise on the mean are 0.3 %.
        assert!((charge.value - percent).abs() <= 1.0, "{rest_v} V: {charge:?}");
        assert!((charge.low - 1e-9..=charge.high).contains(&percent), "{rest_v} V: {charge:?}");
        assert_eq!(raises(&said, "low-rest-voltage"), percent <= 50.0, "{rest_v} V");
    }
}

/// Common practice, no source: not under 9.6 V at 21 °C.
#[test]
fn cranking_not_under_9_6_v() {
    for (cranking_v, too_low) in [(8.5, true), (9.5, true), (9.7, false), (10.8, false)] {
        let said = said(Bus { cranking_v, ..SOUND });
        let lowest_v = said.cranking.as_ref().expect("a start").lowest_v;
        assert!((lowest_v - cranking_v).abs() < 0.05, "{lowest_v}");
        assert_eq!(raises(&said, "deep-cranking-dip"), too_low, "{cranking_v} V");
    }
}

/// Common practice, no source: over 15.0 V is over-charging.
#[test]
fn over_15_0_v_overcharges() {
    for (running_v, over) in [(14.3, false), (14.9, false), (15.1, true), (15.8, true)] {
        let said = said(Bus { running_v, ..SOUND });
        assert_eq!(said.verdict.word == VerdictWord::Overcharges, over, "{running_v} V");
        assert_eq!(raises(&said, "setpoint-high"), over, "{running_v} V");
    }
}

/// Common practice, no source: a healthy bus holds 13.8 to 14.7 V warm.
#[test]
fn from_13_8_to_14_7_v_keeps_up() {
    for running_v in [13.85, 14.2, 14.5, 14.7] {
        let said = said(Bus { running_v, ..SOUND });
        assert_eq!(said.verdict.word, VerdictWord::KeepsUp, "{}", said.verdict.headline);
        assert!(said.findings.is_empty(), "{running_v} V: {:?}", said.findings);
    }
}

/// Common practice, no source: under 13.0 V running is not keeping up.
#[test]
fn under_13_0_v_running_is_not_keeping_up() {
    use VerdictWord::{FallsShort, FallsShortAtIdle, NotCharging};
    let failed = [FallsShort, FallsShortAtIdle, NotCharging];
    // Everywhere, and only with the lamps on at idle.
    for bus in [
        Bus { running_v: 12.4, ..SOUND },
        Bus { running_v: 12.7, ..SOUND },
        Bus { running_v: 12.9, ..SOUND },
        Bus { lamps_v: 1.4, ..SOUND },
        Bus { lamps_v: 1.8, ..SOUND },
    ] {
        let said = said(bus);
        assert!(failed.contains(&said.verdict.word), "{bus:?}: {}", said.verdict.headline);
    }
}

/// Common practice, no source: of the charging cable up to 0.2 V is good, over
/// 0.5 V is over the limit.
#[test]
fn drop_of_the_charging_cable() {
    for (drop_v, severity) in [
        (0.1, None),
        (0.2, None),
        (0.4, Some(Severity::Caution)),
        (0.6, Some(Severity::Fault)),
        (0.9, Some(Severity::Fault)),
    ] {
        let said = said(Bus { drop_v, ..SOUND });
        let found = said.findings.iter().find(|f| f.id == "line-drop-high").map(|f| f.severity);
        assert_eq!(found, severity, "{drop_v} V");
        let read_v = said.line_drop.first().expect("two taps").drop_v.value;
        assert!((read_v - drop_v).abs() < 0.01, "{read_v}");
    }
}
