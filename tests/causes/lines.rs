//! What the log of a thin ground tells, with one tap and with two.

use crate::faults::Fault;
use crate::{Log, log_of, of};
use stiffbus::car::Car;
use stiffbus::car::cable::CableRun;
use stiffbus::diagnosis::{Severity, Side};
use stiffbus::estimate::Grade;

/// With one tap, cable, belt and machine look alike: the finding says so.
#[test]
fn one_tap_cannot_tell_cable_from_machine() {
    let mut seen = 0;
    for log in of(Fault::ThinGround) {
        assert!(!log.raises("line-drop-high"), "seed {}", log.seed);
        for finding in log.findings().iter().filter(|f| f.id == "short-at-every-speed") {
            seen += 1;
            let says = |what: &str| {
                finding.alternatives.iter().any(|a| a.contains(what) && a.contains("not checked"))
            };
            assert!(says("cable or ground") && says("belt"), "{finding:?}");
        }
    }
    assert!(seen > 0, "no log of one tap falls short");
}

/// With two, the setpoint is read at the post, by inference, and the headline
/// says that the post holds.
#[test]
#[ignore = "open: the setpoint is right in 20 of 20, the headline tells of the post in 9"]
fn two_taps_know_the_setpoint() {
    let (mut told, mut right, mut headlines) = (0, 0, 0);
    for fault in [Fault::ThinGroundTwoTaps, Fault::ThinGroundTwoTapsAmps] {
        for log in of(fault) {
            let Ok(said) = &log.said else { continue };
            let truth_v = crate::faults::case(fault, log.seed).simulated.truth.setpoint_v;
            let Some(setpoint) = &said.setpoint_v else { continue };
            told += 1;
            if (setpoint.value - truth_v).abs() <= 0.1 {
                right += 1;
            } else {
                println!("seed {}: {truth_v:.2} {setpoint:?}", log.seed);
            }
            assert!(setpoint.grade != Grade::Measured || !setpoint.how.contains("post"));
            headlines += usize::from(said.verdict.headline.contains("own post holds"));
        }
    }
    println!(
        "two taps: setpoint right in {right} of {told}; {headlines} headlines tell of the post"
    );
    assert!(10 * right >= 8 * told, "{right} of {told}");
    assert!(3 * headlines >= 2 * told, "{headlines} of {told}");
}

/// With a tap along the ground, a bad ground and a thin cable each have a name
/// of their own, and a sound car has neither.
#[test]
fn a_ground_tap_tells_ground_from_cable() {
    let ids = ["line-drop-high", "ground-drop-high"];
    let mut right = 0;
    for (fault, named) in [
        (Fault::HealthyTapped, [false, false]),
        (Fault::BadGroundTapped, [false, true]),
        (Fault::ThinCableTapped, [true, false]),
    ] {
        for log in of(fault) {
            let raised = ids.map(|id| log.raises(id));
            println!("{} {}: {raised:?}", fault.name(), log.seed);
            right += usize::from(raised == named);
        }
    }
    assert_eq!(right, 30);
    let found = |fault, id: &str| -> Vec<Severity> {
        of(fault).flat_map(Log::findings).filter(|f| f.id == id).map(|f| f.severity).collect()
    };
    // 0.3 V and more of ground is over the 0.2 V of common practice by any reading.
    let severe = found(Fault::BadGroundTapped, "ground-drop-high");
    assert!(severe.iter().all(|s| *s == Severity::Fault), "{severe:?}");
}

fn statement(log: &Log, id: &str) -> String {
    let found = log.findings().iter().find(|f| f.id == id);
    found.map_or_else(String::new, |f| f.statement.clone())
}

/// The stated cable explains the drop of a thin one, and not that of a bad joint.
/// NBS Handbook 100 (from memory): 10 AWG has 0.9989 Ω per 1000 ft, 3.277 mΩ/m,
/// so a line of R ohms is R / 3.277 mΩ/m of it, less some 18 % for warmth and
/// strands (IEC 60028; common practice). 1/0 AWG of that length has a tenth.
#[test]
fn gauge_and_length_tell_a_thin_cable_from_a_bad_joint() {
    let mut told = 0;
    for log in of(Fault::ThinCableTapped) {
        let truth = crate::faults::case(Fault::ThinCableTapped, log.seed).car;
        let supply_ohm = truth.alternator_line_ohm * (1.0 - truth.ground_share);
        let length_m = supply_ohm / 0.003277 / 1.18;
        let with = |gauge: &str| {
            let cable: CableRun = format!("{gauge}:{length_m:.3}m").parse().expect("a cable");
            log_of(log.fault, log.seed, &Car { cable: Some(cable), ..Car::default() })
        };
        let (thin, fat) = (with("10AWG"), with("1/0AWG"));
        let (thin_says, fat_says) =
            (statement(&thin, "line-drop-high"), statement(&fat, "line-drop-high"));
        assert!(thin_says.contains("10 AWG over"), "{thin_says}");
        assert!(thin_says.contains("thicker cable."), "{thin_says}");
        assert!(fat_says.contains(". The rest is in joints."), "{fat_says}");
        for row in thin.said.iter().flat_map(|d| &d.line_drop).filter(|d| d.side == Side::Supply) {
            let cable = row.cable_ohm.as_ref().expect("a stated cable");
            assert!(cable.grade == Grade::Inferred && cable.contains(supply_ohm), "{row:?}");
            assert!(row.excess_ohm.as_ref().is_some_and(|e| e.contains(0.0)), "{row:?}");
            assert!(row.told.contains("explains"), "{}", row.told);
            told += 1;
        }
    }
    assert!(told > 30, "{told}");
}

/// Without current there are no ohms, and the text says what would give them;
/// with a cable stated, an upper bound of the amps that the truth keeps.
#[test]
fn without_current_only_the_drop_and_a_bound() {
    for log in of(Fault::ThinGroundTwoTaps) {
        let truth = crate::faults::case(log.fault, log.seed);
        let cable: CableRun = "4AWG:3.2m".parse().expect("a cable");
        let bare = log_of(log.fault, log.seed, &Car { cable: Some(cable), ..Car::default() });
        let Ok(said) = &bare.said else { continue };
        assert!(!said.line_drop.is_empty());
        for row in &said.line_drop {
            assert!(
                row.resistance_ohm.is_none() && row.current_a.is_none() && row.side == Side::Loop
            );
            assert!(row.told.contains("clamp on its output cable"), "{}", row.told);
        }
        let told = &said.line_drop[0].told;
        let most = told.split("at most ").nth(1).and_then(|t| t.split(" A").next());
        let most_a: f64 = most.expect(told).replace(',', "").parse().expect(told);
        let amps = &truth.simulated.truth.samples.alternator_a;
        let mean_a = amps.iter().sum::<f64>() / amps.len() as f64;
        assert!(most_a > mean_a, "{most_a} A at most, {mean_a} A on average: {told}");
    }
}
