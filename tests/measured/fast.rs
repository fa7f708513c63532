//! Logs at five hundred samples a second: looked at in means, they must tell what the
//! same cars tell at a common pace.

use stiffbus::log::Role;

use crate::figures::{self, Figures};
use crate::random_car::{Options, random_case_with};

const SEEDS: std::ops::Range<u64> = 7000..7012;

fn at(samples_per_s: f64) -> Figures {
    let options =
        Options { declared: Some(true), samples_per_s: Some(samples_per_s), ..Options::default() };
    figures::over(SEEDS, &options)
}

#[test]
fn a_fast_log_tells_what_a_common_one_tells() {
    let (fast, common) = (at(500.0), at(20.0));
    for (name, f) in [("500 a second", &fast), ("20 a second", &common)] {
        println!(
            "{name}: steps {}, shift {}, settled {}, state {}, setpoint {}",
            f.declared, f.shift, f.settled, f.state, f.setpoint
        );
    }
    assert!(fast.declared.f1() >= 0.99, "{}", fast.declared);
    assert!(fast.setpoint.share() >= common.setpoint.share() - 0.1);
    assert!(fast.state.share() >= common.state.share() - 0.05, "{} {}", fast.state, common.state);
    assert!(fast.shift.share() >= 0.85, "{}", fast.shift);
    assert!(fast.settled.share() >= 0.85, "{}", fast.settled);
}

/// Means scatter so little that a governor's hunting might pass for switching.
#[test]
fn what_was_not_switched_is_not_told() {
    let options = Options {
        declared: Some(false),
        rpm_logged: Some(true),
        samples_per_s: Some(500.0),
        ..Options::default()
    };
    let f = figures::over(7100..7112, &options);
    println!("undeclared: {}, false {:.2}", f.undeclared, f.false_per_ten_minutes());
    assert!(f.undeclared.f1() >= 0.95, "{}", f.undeclared);
    assert!(f.false_per_ten_minutes() <= 1.0, "{}", f.false_per_ten_minutes());
}

/// The lowest voltage while cranking is one sample's, whatever the means are.
#[test]
fn the_lowest_cranking_voltage_is_that_of_the_samples() {
    let mut seen = 0;
    for seed in SEEDS.take(6) {
        let options = Options {
            starts_at_rest: Some(true),
            samples_per_s: Some(500.0),
            rpm_logged: Some(true),
            ..Options::default()
        };
        let case = random_case_with(seed, &options);
        let log = figures::read(&case);
        let car = Default::default();
        let diagnosis = stiffbus::diagnose(&log, &car).expect("a diagnosis");
        let Some(cranking) = diagnosis.cranking else { continue };
        let volts = log.channel(Role::Voltage(log.bus)).expect("a bus");
        let at = log.time_s().partition_point(|t| *t < cranking.at_s);
        assert_eq!(volts[at], cranking.lowest_v, "seed {seed}");
        seen += 1;
    }
    assert!(seen >= 3, "{seen} logs show a start");
}
