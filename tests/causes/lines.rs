//! What the log of a thin ground tells, with one tap and with two.

use crate::faults::Fault;
use crate::of;
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
                finding.alternatives.iter().any(|a| a.contains(what) && a.contains("cannot tell"))
            };
            assert!(says("cable or ground") && says("belt"), "{finding:?}");
        }
    }
    assert!(seen > 0, "no log of one tap falls short");
}

/// With two, the setpoint is read at the post, by inference, and the headline
/// says that the post holds.
#[test]
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
