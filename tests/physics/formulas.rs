//! Pure formulas against published tables and hand calculation.

use stiffbus::physics::alternator::{Derating, OutputCurve, Regulator, as_tested_rpm};
use stiffbus::physics::battery::{
    Battery, BatteryKind, BatteryState, CrankingStandard, low_unstated, resistance_cold_ohm,
    resistance_from_cca,
};
use stiffbus::physics::bus::{Bus, Node};
use stiffbus::physics::cable::{awg_area_mm2, awg_diameter_mm, ohm_per_m};
use stiffbus::physics::interpolate::{CurveError, MonotoneCubic};
use stiffbus::physics::load::{Draw, LoadKind};

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "found {found}, wanted {wanted} within {within}");
}

/// NBS Handbook 100 (1966), solid annealed copper at 20 °C, ohms per 1000 ft
/// (from memory).
#[test]
fn copper_wire_agrees_with_the_handbook() {
    let table = [
        (14, 2.525),
        (12, 1.588),
        (10, 0.9989),
        (8, 0.6282),
        (6, 0.3951),
        (4, 0.2485),
        (3, 0.1970),
        (2, 0.1563),
        (1, 0.1239),
        (0, 0.09827),
        (-1, 0.07793),
        (-3, 0.04901),
    ];
    for (gauge, per_1000_ft) in table {
        let found = ohm_per_m(awg_area_mm2(gauge), 20.0) * 304.8;
        close(found / per_1000_ft, 1.0, 0.0005);
    }
}

/// ASTM B258 fixes gauge 36 at 0.005 in and gauge 4/0 at 0.46 in.
#[test]
fn gauges_start_from_their_two_fixed_diameters() {
    close(awg_diameter_mm(36), 0.127, 1e-12);
    close(awg_diameter_mm(-3), 0.46 * 25.4, 1e-9);
}

/// IEC 60028: 0.00393 per kelvin at 20 °C, so 80 °C adds 23.58 %.
#[test]
fn warm_copper_resists_more() {
    close(ohm_per_m(10.0, 80.0) / ohm_per_m(10.0, 20.0), 1.2358, 1e-9);
}

/// Common practice, no source: the table for flooded batteries at 25 °C.
#[test]
fn rest_voltage_and_state_of_charge_are_each_others_inverse() {
    let table = [(1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06)];
    for (charge, volts) in table {
        close(BatteryKind::Flooded.rest_voltage_v(charge), volts, 1e-12);
        close(BatteryKind::Flooded.state_of_charge(volts), charge, 1e-9);
    }
    for kind in BatteryKind::ALL {
        for percent in 0..=100 {
            let charge = f64::from(percent) / 100.0;
            close(kind.state_of_charge(kind.rest_voltage_v(charge)), charge, 1e-9);
        }
        close(kind.state_of_charge(11.0), 0.0, 1e-9);
        close(kind.state_of_charge(13.6), 1.0, 1e-9);
        // Held where it is said to get charge, a full one does not give any.
        assert!(kind.charged().at_12_v() > kind.rest_voltage_v(0.95));
        assert!(kind.overcharged().at_12_v() > kind.charged().at_12_v() + 1.0);
    }
}

/// SAE J537 (from memory): 30 s at −18 °C and not below 7.2 V. By hand for 540
/// A and 12.6 V at rest: 5.4 V / 540 A = 10 mΩ.
#[test]
fn cold_resistance_is_the_ratings_own_definition() {
    close(resistance_cold_ohm(540.0, CrankingStandard::Sae), 0.010, 1e-12);
    let of_540 = |standard, celsius| resistance_from_cca(540.0, standard, celsius);
    let sae = Some(CrankingStandard::Sae);
    let cold = of_540(sae, -18.0).expect("a positive rating");
    close(cold, 0.010, 1e-12);
    let mild = of_540(sae, 25.0).expect("a positive rating");
    assert!(mild < cold);
    assert!(resistance_from_cca(0.0, sae, 25.0).is_none());
    assert!(resistance_from_cca(f64::NAN, sae, 25.0).is_none());
    // By hand: 3.6 V / 360 A (DIN) and 4.2 V / 420 A (IEC) are 10 mΩ as well.
    close(resistance_cold_ohm(360.0, CrankingStandard::Din), 0.010, 1e-12);
    close(resistance_cold_ohm(420.0, CrankingStandard::Iec), 0.010, 1e-12);
    // A label without a standard may be any of them.
    let unstated = of_540(None, 25.0).expect("a positive rating");
    close(unstated, mild, 1e-12);
    let din = of_540(Some(CrankingStandard::Din), 25.0).expect("a positive rating");
    close(low_unstated(mild, mild), din, 1e-12);
}

/// By hand, three points (0, 0), (1000, 50), (2000, 70): secants 0.05 and 0.02
/// A/rpm, slopes 0.05, 0.035, 0.02 (none beyond the circle of radius 3), so
/// Hermite at the middle of the first piece gives 25 + 1000/8 × (0.05 − 0.035) =
/// 26.875 A, of the second 60 + 1000/8 × (0.035 − 0.02) = 61.875 A.
#[test]
fn output_curve_agrees_with_hand_calculation() {
    let curve = OutputCurve::new(&[(1000.0, 0.0), (2000.0, 50.0), (3000.0, 70.0)]).unwrap();
    close(curve.output(1500.0).amps_a, 26.875, 1e-9);
    close(curve.output(2500.0).amps_a, 61.875, 1e-9);
    assert_eq!(curve.output(999.0).amps_a, 0.0);
    assert!(!curve.output(3000.0).beyond_last_point);
    let beyond = curve.output(3001.0);
    assert!(beyond.beyond_last_point && beyond.amps_a == 70.0);
    close(curve.rpm_for(26.875, 1.0).unwrap(), 1500.0, 1e-6);
    assert_eq!(curve.rpm_for(70.0, 0.9), None);
}

/// A bench may begin above the turn-on speed: between its points it is the same
/// curve, two points being a straight line, and beyond them it is unknown.
#[test]
fn a_bench_curve_is_known_between_its_points() {
    let curve = OutputCurve::of_bench(&[(1500.0, 35.0), (2500.0, 55.0)]).unwrap();
    close(curve.known_a(2000.0).unwrap(), 45.0, 1e-9);
    assert_eq!((curve.known_a(1499.0), curve.known_a(2501.0)), (None, None));
    assert!(curve.output(1000.0).before_first_point);
    assert_eq!(curve.speeds_rpm(), (1500.0, 2500.0));
    assert!(OutputCurve::of_bench(&[(1500.0, 35.0), (2500.0, 30.0)]).is_err());
}

/// The ideal alternator by hand, EMF 0.01 V and reactance 1e-4 Ω per rpm: at 2000 rpm
/// and 12 V it delivers √(20² − 12²)/0.2 = 80 A; at 15 V it needs 2500 rpm for
/// √(25² − 15²)/0.25 = 80 A.
#[test]
fn a_sheet_is_read_at_the_speed_that_its_voltage_stands_for() {
    close(as_tested_rpm(2000.0, 12.0, 15.0), 2500.0, 1e-9);
    close(as_tested_rpm(2500.0, 15.0, 12.0), 2000.0, 1e-9);
    let ideal_a =
        |rpm: f64, volts: f64| ((0.01 * rpm).powi(2) - volts * volts).sqrt() / (1e-4 * rpm);
    close(ideal_a(2000.0, 12.0), 80.0, 1e-9);
    for (rpm, volts) in [(1700.0, 12.4), (2400.0, 13.9), (6000.0, 14.2)] {
        close(ideal_a(rpm, volts), ideal_a(as_tested_rpm(rpm, volts, 13.5), 13.5), 1e-9);
    }
}

/// Fritsch and Carlson's own data (RPN 14, SIAM J. Numer. Anal. 17, 1980; from
/// memory) rise steeply between flats, where plain cubics overshoot.
#[test]
fn curve_through_steep_data_stays_monotone() {
    let points = [
        (7.99, 0.0),
        (8.09, 2.76429e-5),
        (8.19, 4.37498e-2),
        (8.7, 0.169183),
        (9.2, 0.469428),
        (10.0, 0.943740),
        (12.0, 0.998636),
        (15.0, 0.999919),
        (20.0, 0.999994),
    ];
    let curve = MonotoneCubic::new(&points).unwrap();
    let mut last = 0.0;
    for step in 0..=12_010 {
        let y = curve.at(7.99 + f64::from(step) * 0.001);
        assert!(y >= last - 1e-12 && y <= 1.0, "fell to {y} after {last}");
        last = y;
    }
    for (x, y) in points {
        close(curve.at(x), y, 1e-12);
    }
}

#[test]
fn bad_curves_are_refused_with_the_point() {
    assert_eq!(MonotoneCubic::new(&[(1.0, 2.0)]), Err(CurveError::TooFew(1)));
    let turned = [(1000.0, 0.0), (900.0, 5.0)];
    assert_eq!(OutputCurve::new(&turned), Err(CurveError::NotIncreasing { number: 2, x: 900.0 }));
    assert_eq!(OutputCurve::new(&[(1000.0, 3.0), (2000.0, 5.0)]), Err(CurveError::NoTurnOn(3.0)));
    let falling = [(1000.0, 0.0), (2000.0, 50.0), (3000.0, 40.0)];
    assert!(matches!(OutputCurve::new(&falling), Err(CurveError::Falling { number: 3, .. })));
}

/// By hand: halfway between 20 and 100 °C half of the 20 % is gone; −8 mV/°C
/// over 50 °C is 0.4 V; one time constant leaves 1/e of the way.
#[test]
fn heat_and_regulator_agree_with_hand_calculation() {
    let derating = Derating { cold_c: 20.0, soaked_c: 100.0, lost_share: 0.2 };
    close(derating.factor(60.0), 0.9, 1e-12);
    close(derating.factor(300.0), 0.8, 1e-12);
    let regulator =
        Regulator { setpoint_25c_v: 14.4, per_degree_v: -0.008, droop_v: 0.05, response_s: 0.2 };
    close(regulator.setpoint_v(75.0), 14.0, 1e-12);
    close(regulator.held_v(75.0, 0.5), 13.975, 1e-12);
    let expected = 40.0 - 40.0 * (-1.0f64).exp();
    close(regulator.follow(0.0, 40.0, 100.0, 0.2), expected, 1e-9);
    assert_eq!(regulator.follow(80.0, 40.0, 50.0, 0.001), 50.0);
}

/// By hand at 6.75 V below and 13.5 V: V^0.5, V and 1/V (common practice, no source).
#[test]
fn loads_follow_the_voltage_by_kind() {
    let amps = |kind, volts| {
        let mut draw = Draw::default();
        draw.add(kind, 10.0);
        draw.amps(volts)
    };
    for kind in [LoadKind::Lamp, LoadKind::Resistive, LoadKind::Electronic] {
        close(amps(kind, 13.5), 10.0, 1e-12);
        close(amps(kind, 12.0), 10.0 * (12.0f64 / 13.5).powf(kind.exponent()), 1e-9);
        assert_eq!(amps(kind, 0.0), 0.0);
    }
}

fn resistive(amps_at_13_5_v: f64) -> Draw {
    Draw { resistive_a: amps_at_13_5_v, ..Draw::default() }
}

/// By hand: 12 V behind 10 mΩ, 40 A from the alternator over 5 mΩ, 1.35 Ω (10 A
/// at 13.5 V) at the battery. Node: (V − 12)/0.01 + V/1.35 = 40, so V =
/// 1240/(100 + 1/1.35) = 12.308823529 V; alternator 0.2 V above.
#[test]
fn bus_agrees_with_hand_calculation() {
    let bus = Bus {
        alternator_line_ohm: 0.005,
        module_line_ohm: 0.0,
        battery_v: 12.0,
        battery_ohm: 0.01,
        at_alternator: Draw::default(),
        at_battery: resistive(10.0),
        at_module: Draw::default(),
    };
    let solved = bus.with_current(40.0);
    let volts = 1240.0 / (100.0 + 1.0 / 1.35);
    close(solved.battery_v, volts, 1e-8);
    close(solved.alternator_v, volts + 0.2, 1e-8);
    close(solved.battery_a, (volts - 12.0) / 0.01, 1e-5);
    // Held at 14 V at its own post, the same node by hand: V_b = (14/0.005 +
    // 12/0.01) / (1/0.005 + 1/0.01 + 1/1.35).
    let held = bus.holding(14.0, Node::Alternator);
    let wanted = (14.0 / 0.005 + 12.0 / 0.01) / (200.0 + 100.0 + 1.0 / 1.35);
    close(held.battery_v, wanted, 1e-8);
    close(held.alternator_a, (14.0 - wanted) / 0.005, 1e-5);
}

/// A module behind 20 mΩ drawing 1.35 Ω: a divider, V_m = V_b × 1.35/1.37.
#[test]
fn module_sits_behind_its_line() {
    let bus = Bus {
        alternator_line_ohm: 0.0,
        module_line_ohm: 0.02,
        battery_v: 12.6,
        battery_ohm: 0.006,
        at_alternator: Draw::default(),
        at_battery: Draw::default(),
        at_module: resistive(10.0),
    };
    let solved = bus.with_current(0.0);
    close(solved.module_v, solved.battery_v * 1.35 / 1.37, 1e-8);
    close(solved.battery_v, 12.6 * 1.37 / 1.376, 1e-8);
}

/// Kirchhoff: whatever the loads, currents at every node balance.
#[test]
fn solved_bus_balances_even_in_a_collapse() {
    let mixed = Draw { lamp_a: 20.0, resistive_a: 60.0, electronic_a: 80.0 };
    for (battery_v, battery_ohm) in [(12.6, 0.006), (11.0, 0.08), (3.0, 0.5)] {
        for alternator_a in [0.0, 30.0, 200.0] {
            let bus = Bus {
                alternator_line_ohm: 0.02,
                module_line_ohm: 0.03,
                battery_v,
                battery_ohm,
                at_alternator: mixed,
                at_battery: mixed,
                at_module: mixed,
            };
            let solved = bus.with_current(alternator_a);
            close(solved.alternator_a, alternator_a, 1e-5);
            close(solved.alternator_a, solved.battery_a + solved.load_a, 1e-9);
            // Power: the alternator's output is used, stored or lost in the lines.
            let [post_a, battery_a, module_a] =
                [solved.alternator_v, solved.battery_v, solved.module_v].map(|v| mixed.amps(v));
            let used_w = solved.alternator_v * post_a
                + solved.battery_v * (battery_a + solved.battery_a)
                + solved.module_v * module_a;
            let lost_w = 0.02 * (alternator_a - post_a).powi(2) + 0.03 * module_a.powi(2);
            close(solved.alternator_v * solved.alternator_a, used_w + lost_w, 1e-3);
            assert!(solved.module_v >= 0.0 && solved.module_v <= solved.battery_v);
        }
    }
}

/// Equal steps go where steps of any length go, but for the double layer, which
/// settles within them.
#[test]
fn a_battery_in_equal_steps_is_the_same_battery() {
    let battery = Battery::typical(60.0, 0.006);
    let paced = battery.paced(0.5);
    let (mut one, mut other) = (BatteryState::rested(0.8, 0.2), BatteryState::rested(0.8, 0.2));
    for step in 0..600 {
        let current_a = if step % 100 < 60 { -20.0 } else { 8.0 };
        one = battery.advance(&one, current_a, 0.5);
        other = paced.advance(&other, current_a);
        for (a, b) in [
            (one.state_of_charge, other.state_of_charge),
            (one.surface_v, other.surface_v),
            (one.fast_v, other.fast_v),
            (one.slow_v, other.slow_v),
        ] {
            assert!((a - b).abs() < 1e-12, "step {step}: {a} {b}");
        }
        let off_a = battery.current_at(12.2, &one) - battery.current_at(12.2, &other);
        assert!(off_a.abs() < 1e-9);
    }
}
