//! What the plan computes with, by hand and against published values.

use stiffbus::physics::alternator::{Derating, OutputCurve};
use stiffbus::physics::battery::{Battery, BatteryState};
use stiffbus::physics::cable::{ampacity_a, awg_area_mm2, drop_v};
use stiffbus::physics::fuse::{SIZES_A, STEADY_SHARE, fuse_a};
use stiffbus::physics::machine::Machine;
use stiffbus::physics::pulley::ratio;

/// NBS Handbook 100 (1966; from memory): 4 AWG has 0.2485 Ω per 1000 ft at 20 °C.
/// 3 m are 9.8425 ft: 2.4459 mΩ, and 150 A over them lose 0.36688 V.
#[test]
fn three_metres_of_four_gauge_at_150_a() {
    let ohm = 0.2485 * (3.0 / 0.3048) / 1000.0;
    let by_hand_v: f64 = 150.0 * ohm;
    assert!((by_hand_v - 0.36688).abs() < 1e-4);
    let lost_v = drop_v(awg_area_mm2(4), 3.0, 150.0, 20.0);
    assert!((lost_v / by_hand_v - 1.0).abs() < 0.001, "{lost_v} and not {by_hand_v}");
}

/// By hand: 165 mm over 55 mm is 3 to 1.
#[test]
fn the_small_pulley_turns_faster_by_their_diameters() {
    assert!((ratio(165.0, 55.0) - 3.0).abs() < 1e-12);
}

/// A curve of two points, 0 A at 1000 and 100 A at 3000 alternator rpm, is straight:
/// 0.05 A a rpm. On 2 to 1 it gives 0.1·(n − 500) A at engine speed n. Loads of
/// 20 A that rise by 0.02 A a rpm (a mechanical fan's clutch, say) cross it where
/// 0.1·n − 50 = 20 + 0.02·n, at n = 875 rpm; at 1000 rpm there are 10 A to spare.
#[test]
fn a_straight_load_line_crosses_a_two_point_curve() {
    let machine = Machine {
        curve: OutputCurve::new(&[(1000.0, 0.0), (3000.0, 100.0)]).expect("a curve"),
        test_v: 14.0,
        test_c: 25.0,
        ratio: 2.0,
        share: 1.0,
        derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share: 0.2 },
        flux_exponent: 0.5,
    };
    let load_a = |rpm: f64| 20.0 + 0.02 * rpm;
    let spare_a = |rpm: f64| machine.available_a(rpm, 14.0, 25.0) - load_a(rpm);
    assert!(spare_a(875.0).abs() < 1e-9, "{}", spare_a(875.0));
    assert!((spare_a(1000.0) - 10.0).abs() < 1e-9);
    // And backwards: the speed that gives 37.5 A.
    let rpm = machine.rpm_for(37.5, 14.0, 25.0).expect("within the curve");
    assert!((rpm - 875.0).abs() < 1e-6, "{rpm}");
    // Heat-soaked it delivers four fifths: 80 A at most, and no speed delivers more.
    assert!((machine.available_a(1500.0, 14.0, 110.0) - 80.0).abs() < 1e-9);
    assert_eq!(machine.rpm_for(81.0, 14.0, 110.0), None);
}

/// EMF and reactance both rise with speed: a saturated alternator delivers at twice the voltage
/// what it delivers at half the speed; one whose flux doubles with the voltage delivers twice
/// the current at the same speed. Between them, against the formula
/// I = √((k·n·U^σ)² − U²)/(l·n) itself, with a curve drawn from it at 13.5 V.
#[test]
fn a_curve_is_carried_to_another_voltage() {
    let (k, l) = (0.011_f64, 9e-5);
    for exponent in [0.0, 0.4, 1.0] {
        let ideal_a = |rpm: f64, volts: f64| {
            let emf_v = k * rpm * 13.5 * (volts / 13.5).powf(exponent) / 13.5;
            (emf_v.powi(2) - volts.powi(2)).max(0.0).sqrt() / (l * rpm)
        };
        let turn_on_rpm = 13.5 / k;
        let points: Vec<(f64, f64)> = (0..=400)
            .map(|step| turn_on_rpm + 10.0 * f64::from(step))
            .map(|rpm| (rpm, ideal_a(rpm, 13.5)))
            .collect();
        let machine = Machine {
            curve: OutputCurve::of_bench(&points).expect("a curve"),
            test_v: 13.5,
            test_c: 25.0,
            ratio: 1.0,
            share: 1.0,
            derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share: 0.2 },
            flux_exponent: exponent,
        };
        for (rpm, volts) in [(1800.0, 14.4), (2600.0, 12.6), (3600.0, 14.2)] {
            let (known_a, by_hand_a) = (machine.available_a(rpm, volts, 25.0), ideal_a(rpm, volts));
            assert!((known_a / by_hand_a - 1.0).abs() < 1e-3, "{known_a} and not {by_hand_a}");
            let back_rpm = machine.rpm_for(known_a, volts, 25.0).expect("within the curve");
            assert!((back_rpm / rpm - 1.0).abs() < 1e-6, "{back_rpm} and not {rpm}");
        }
    }
}

/// Two batteries in parallel carry twice the current of one, and each moves as if it
/// were alone.
#[test]
fn a_battery_twice_as_large_carries_twice_the_current() {
    let one = Battery::typical(60.0, 0.008);
    let two = one.scaled(2.0);
    let mut state = BatteryState::rested(0.8, 0.1);
    let mut doubled = state;
    for (volts, seconds) in [(13.9, 40), (12.4, 60), (14.2, 90)] {
        for _ in 0..seconds {
            let (one_a, two_a) = (one.current_at(volts, &state), two.current_at(volts, &doubled));
            assert!((two_a - 2.0 * one_a).abs() < 1e-9, "{two_a} and not twice {one_a}");
            state = one.advance(&state, one_a, 1.0);
            doubled = two.advance(&doubled, two_a, 1.0);
        }
    }
}

/// By hand: 140 A for hours want 140/0.8 = 175 A of fuse; a cable good for 180 A
/// outlives it, one for 170 A does not and gets none.
#[test]
fn a_fuse_carries_the_machine_and_spares_the_cable() {
    assert_eq!(STEADY_SHARE, 0.8);
    assert_eq!(fuse_a(140.0, 180.0), Some(175.0));
    assert_eq!(fuse_a(140.0, 170.0), None);
    assert_eq!(fuse_a(1000.0, 5000.0), None);
    assert!(SIZES_A.windows(2).all(|pair| pair[0] < pair[1]));
}

/// IEC 60364-5-52, two single-core PVC cables touching in free air of 30 °C, copper at 70 °C
/// (from memory): 25 mm² 131 A, 35 mm² 162 A, 50 mm² 196 A, 70 mm² 251 A,
/// 95 mm² 304 A. One lumped figure for the heat given off meets them within 12 %.
#[test]
fn the_heat_limit_meets_the_wiring_table() {
    for (area_mm2, table_a) in
        [(25.0, 131.0), (35.0, 162.0), (50.0, 196.0), (70.0, 251.0), (95.0, 304.0)]
    {
        let bears = ampacity_a(area_mm2, 30.0, 70.0);
        assert!((bears / table_a - 1.0).abs() < 0.12, "{area_mm2} mm²: {bears} and not {table_a}");
    }
    assert_eq!(ampacity_a(25.0, 105.0, 105.0), 0.0);
    assert!(ampacity_a(25.0, 60.0, 105.0) > ampacity_a(25.0, 80.0, 105.0));
}
