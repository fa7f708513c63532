//! What is claimed, one hand-made case for each outcome.

use super::fixtures::{SETPOINT_V, diagnosis, draining, holding, measured, names, recorded};
use super::*;
use crate::comparison::{Outcome, Reading};
use crate::diagnosis::{BusState, Heat, OperatingPoint};
use crate::log::Span;

const LOADS: [&str; 2] = ["fan", "blower"];

fn log(points: Vec<OperatingPoint>) -> Recorded {
    recorded(diagnosis(&LOADS, points))
}

fn held_against(before: &Recorded, afters: &[Recorded]) -> Comparison {
    compare(before, afters, &Agreed::default()).expect("nothing stated that could be wrong")
}

fn one(before: Vec<OperatingPoint>, after: Vec<OperatingPoint>) -> Comparison {
    held_against(&log(before), &[log(after)])
}

fn short() -> Vec<OperatingPoint> {
    vec![holding(&[]), draining(&LOADS, 20.0)]
}

fn cured() -> Vec<OperatingPoint> {
    vec![holding(&[]), holding(&LOADS)]
}

fn missing(comparison: &Comparison, words: &str) -> bool {
    comparison.missing.iter().any(|m| m.contains(words))
}

#[test]
fn all_loads_held_hot_for_a_minute_prove_a_repair() {
    let proof = one(short(), cured());
    assert_eq!(proof.outcome, Outcome::RepairProven, "{:?}", proof.missing);
    assert!(proof.missing.is_empty());
    assert!(proof.criteria.iter().all(|c| c.after == Reading::Pass));
    assert!(proof.headline.contains("Held for 100 s"), "{}", proof.headline);
    assert!(is_sealed(&proof));
}

#[test]
fn a_hold_under_a_minute_is_no_proof() {
    let mut after = cured();
    (after[1].seconds, after[1].spans) = (59.0, vec![Span { start_s: 100.0, end_s: 159.0 }]);
    let proof = one(short(), after);
    assert_eq!(proof.outcome, Outcome::ImprovedNotProven);
    assert!(missing(&proof, "only 59 s without a break"), "{:?}", proof.missing);
}

/// 30 s and 30 s are no minute.
#[test]
fn a_minute_in_two_halves_is_no_proof() {
    let mut after = cured();
    after[1].spans =
        [(100.0, 130.0), (150.0, 180.0)].map(|(start_s, end_s)| Span { start_s, end_s }).into();
    assert_eq!(one(short(), after).outcome, Outcome::ImprovedNotProven);
}

#[test]
fn nothing_changed() {
    let proof = one(short(), short());
    assert_eq!(proof.outcome, Outcome::NoChange);
    assert!(proof.missing.is_empty());
    assert_eq!(one(cured(), cured()).outcome, Outcome::NoChange);
}

/// The battery discharges at 20 A before and 9 A after: eleven gained, nine to go.
#[test]
fn better_and_still_draining_is_not_proven() {
    let after = vec![holding(&[]), draining(&LOADS, 9.0)];
    let proof = one(short(), after);
    assert_eq!(proof.outcome, Outcome::ImprovedNotProven);
    assert!(missing(&proof, "the battery discharges at no operating point"), "{:?}", proof.missing);
}

#[test]
fn a_bus_that_no_longer_holds_is_worse() {
    let proof = one(cured(), short());
    assert_eq!(proof.outcome, Outcome::Worse);
    assert!(proof.headline.contains("draining"), "{}", proof.headline);
}

/// A bus that falls at three sets of loads, where the battery may be taking 20 A
/// more than before: neither no change nor worse.
#[test]
fn a_hungry_battery_leaves_a_fall_open() {
    let sets: [&[&str]; 3] = [&[], &["fan"], &LOADS];
    let sagging = |loads: &&[&str]| OperatingPoint {
        state: BusState::Limited,
        voltage_v: measured(13.4, 0.02),
        battery_gives_a: Some(measured(-8.0, 15.0)),
        ..holding(loads)
    };
    let before: Vec<OperatingPoint> = sets.iter().map(|loads| holding(loads)).collect();
    let after: Vec<OperatingPoint> = sets.iter().map(sagging).collect();
    let proof = one(before.clone(), after.clone());
    assert_eq!(proof.outcome, Outcome::NotComparable, "{}", proof.headline);
    assert!(proof.headline.contains("charge it fully"), "{}", proof.headline);
    // Hotter besides, that is reason enough.
    let warm = before.into_iter().map(|point| OperatingPoint { heat: Heat::Warm, ..point });
    let proof = one(warm.collect(), after);
    assert_eq!(proof.outcome, Outcome::NotComparable, "{}", proof.headline);
    assert!(proof.headline.contains("hotter: warm before, hot after"), "{}", proof.headline);
}

/// Harder running may well be lower: no fault of the repair.
#[test]
fn lower_under_harder_conditions_is_not_worse() {
    let mut before = cured();
    for point in &mut before {
        point.heat = Heat::Warm;
    }
    let proof = one(before, short());
    assert_eq!(proof.outcome, Outcome::NotComparable);
    assert!(proof.headline.contains("hotter: warm before, hot after"), "{}", proof.headline);
}

/// … and so may a load that is on and that the later log does not show.
#[test]
fn a_load_that_may_be_on_unseen_excuses_a_lower_bus() {
    let before = recorded(diagnosis(&["fan", "blower", "lamps"], cured()));
    let proof = held_against(&before, &[log(short())]);
    assert_eq!(proof.outcome, Outcome::NotComparable);
    assert!(proof.afters[0].points[0].conditions_how.contains("lamps"));
}

#[test]
fn cooler_proves_nothing() {
    let mut after = cured();
    for point in &mut after {
        point.heat = Heat::Warm;
    }
    let proof = one(short(), after);
    assert_eq!(proof.outcome, Outcome::ImprovedNotProven);
    assert!(missing(&proof, "cooler: hot before, warm after"), "{:?}", proof.missing);
}

#[test]
fn unknown_heat_proves_nothing_and_says_so() {
    let blind = |mut points: Vec<OperatingPoint>| {
        points.iter_mut().for_each(|point| point.heat = Heat::Unknown);
        points
    };
    let proof = one(blind(short()), blind(cured()));
    assert_eq!(proof.outcome, Outcome::ImprovedNotProven);
    assert!(missing(&proof, "neither log shows how hot it was"), "{:?}", proof.missing);
    let worse = one(blind(cured()), blind(short()));
    assert_eq!(worse.outcome, Outcome::NotComparable);
    assert!(worse.headline.contains("how hot"), "{}", worse.headline);
}

#[test]
fn heavy_before_and_light_after_cannot_be_compared() {
    let proof = one(short(), vec![holding(&[]), holding(&["fan"])]);
    assert_eq!(proof.outcome, Outcome::NotComparable);
    assert!(proof.headline.contains("never runs with fan + blower on"), "{}", proof.headline);
}

#[test]
fn logs_without_a_common_point_cannot_be_compared() {
    let proof = one(vec![draining(&["fan"], 20.0)], vec![holding(&["blower"])]);
    assert_eq!(proof.outcome, Outcome::NotComparable);
    assert!(missing(&proof, "no operating point is in both logs"));
}

/// All held before, all held after: nothing was wrong, so nothing was repaired.
#[test]
fn a_sound_car_has_nothing_to_prove() {
    assert_eq!(one(cured(), cured()).outcome, Outcome::NoChange);
}

#[test]
fn what_got_better_and_what_got_worse_are_both_told() {
    let mut before = short();
    before.push(OperatingPoint { rpm_low: Some(2300.0), rpm: Some(2500.0), ..holding(&LOADS) });
    let mut after = cured();
    after.push(OperatingPoint {
        rpm_low: Some(2300.0),
        rpm: Some(2500.0),
        ..draining(&LOADS, 12.0)
    });
    let proof = one(before, after);
    assert_eq!(proof.outcome, Outcome::ImprovedNotProven);
    assert!(missing(&proof, "the lower voltage elsewhere"), "{:?}", proof.missing);
}

fn with_setpoint(mut recorded: Recorded, setpoint_v: f64) -> Recorded {
    let d = &mut recorded.diagnosis;
    d.setpoint_v = Some(measured(setpoint_v, 0.02));
    for point in &mut d.operating_points {
        point.voltage_v = measured(setpoint_v, 0.01);
    }
    recorded
}

#[test]
fn a_regulator_that_held_too_much_is_a_repair() {
    let before = with_setpoint(log(cured()), 15.6);
    let proof = held_against(&before, &[log(cured())]);
    assert_eq!(proof.outcome, Outcome::RepairProven, "{:?}", proof.missing);
    assert!(proof.headline.contains("before it held 15.60 V"), "{}", proof.headline);
    let spoiled = held_against(&log(cured()), &[before]);
    assert_eq!(spoiled.outcome, Outcome::Worse);
}

/// 15.1 V cold and 14.6 V hot is one regulator: 10 mV/°C over 50 °C.
#[test]
fn a_setpoint_that_heat_moved_is_no_repair() {
    let mut cold = with_setpoint(log(cured()), 15.1);
    for point in &mut cold.diagnosis.operating_points {
        point.heat = Heat::Cold;
    }
    let hot = with_setpoint(log(cured()), 14.6);
    assert_eq!(held_against(&cold, &[hot]).outcome, Outcome::NoChange);
}

#[test]
fn one_of_several_proves_where_none_fails() {
    let mut cold = log(cured());
    for point in &mut cold.diagnosis.operating_points {
        point.heat = Heat::Cold;
    }
    let both = held_against(&log(short()), &[cold.clone(), log(cured())]);
    assert_eq!(both.outcome, Outcome::RepairProven);
    assert_eq!(both.afters[0].outcome, Outcome::ImprovedNotProven);
    assert!(both.headline.starts_with("After 2 (log.csv): With fan + blower on"));
    assert!(both.headline.ends_with("after 1 (log.csv): improved, not proven."));
    assert!(both.criteria.iter().all(|c| c.after == Reading::Pass));

    let failing = log(vec![holding(&[]), draining(&LOADS, 9.0)]);
    let mixed = held_against(&log(short()), &[log(cured()), failing]);
    assert_eq!(mixed.outcome, Outcome::ImprovedNotProven);
    let never = mixed.criteria.iter().find(|c| c.id == "never-draining").expect("agreed");
    assert_eq!(never.after, Reading::Fail);
    assert!(mixed.missing.iter().any(|m| m.starts_with("after 2: ")), "{:?}", mixed.missing);

    let lost = log(vec![holding(&[]), draining(&LOADS, 45.0)]);
    assert_eq!(held_against(&log(short()), &[log(cured()), lost]).outcome, Outcome::Worse);
    assert_eq!(held_against(&log(short()), &[]).outcome, Outcome::NotComparable);
}

fn reading(of: &str, before: &Recorded, after: &Recorded, agreed: &Agreed) -> (Reading, String) {
    let proof = compare(before, std::slice::from_ref(after), agreed).expect("nothing wrong");
    let line = proof.criteria.into_iter().find(|c| c.id == of).expect("always asked");
    (line.after, line.after_seen)
}

fn agreed(change: impl Fn(&mut Acceptance)) -> Agreed {
    let mut agreed = Agreed::default();
    change(&mut agreed.acceptance);
    agreed
}

#[test]
fn loads_held_reads_heat_speed_and_names() {
    let before = log(short());
    let of = |after: &Recorded| reading("loads-held", &before, after, &Agreed::default());
    assert_eq!(of(&log(cured())).0, Reading::Pass);
    let mut warm = log(cured());
    warm.diagnosis.operating_points[1].heat = Heat::Warm;
    assert_eq!(of(&warm), (Reading::NotShown, "seen only warm, not hot".to_owned()));
    let as_warm = agreed(|a| a.heat = crate::car::AskedHeat::Warm);
    assert_eq!(reading("loads-held", &before, &warm, &as_warm).0, Reading::Pass);
    let mut unknown = log(cured());
    unknown.diagnosis.operating_points[1].heat = Heat::Unknown;
    assert!(of(&unknown).1.contains("no temperature"));
    let any = agreed(|a| a.heat = crate::car::AskedHeat::Any);
    assert_eq!(reading("loads-held", &before, &unknown, &any).0, Reading::Pass);
    let mut fast = log(cured());
    fast.diagnosis.operating_points[1].rpm_low = Some(1100.0);
    assert_eq!(of(&fast), (Reading::NotShown, "never in this log".to_owned()));
    let mut blind = log(cured());
    blind.diagnosis.operating_points[1].rpm_low = None;
    assert!(of(&blind).1.contains("no engine speed"));
    let nameless = recorded(diagnosis(&["fan"], vec![holding(&[]), holding(&["fan"])]));
    assert!(of(&nameless).1.contains("does not show when \"blower\" is on"));
    let longer = agreed(|a| a.hold_s = 120.0);
    assert_eq!(reading("loads-held", &before, &log(cured()), &longer).0, Reading::NotShown);
}

#[test]
fn at_setpoint_reads_the_interval() {
    let before = log(short());
    let of = |under_v, half_width| {
        let mut after = log(cured());
        after.diagnosis.operating_points[1].under_setpoint_v = Some(measured(under_v, half_width));
        reading("at-setpoint", &before, &after, &Agreed::default()).0
    };
    assert_eq!(of(0.15, 0.04), Reading::Pass);
    assert_eq!(of(0.15, 0.06), Reading::NotShown);
    assert_eq!(of(0.25, 0.06), Reading::NotShown);
    assert_eq!(of(0.25, 0.04), Reading::Fail);
}

/// 100 s at the setpoint but for the last ten, which lie 0.5 V under it: by the
/// mean only 0.05 V.
#[test]
fn a_mean_does_not_hide_how_a_hold_ends() {
    let mut after = log(cured());
    let trace = &mut after.diagnosis.picture.voltage;
    for k in 0..=400 {
        let t_s = 100.0 + 0.25 * f64::from(k);
        let v = if t_s < 190.0 { SETPOINT_V } else { SETPOINT_V - 0.5 };
        trace.time_s.push(t_s);
        trace.low.push(Some(v - 0.02));
        trace.high.push(Some(v + 0.02));
    }
    let point = &mut after.diagnosis.operating_points[1];
    point.voltage_v = measured(SETPOINT_V - 0.05, 0.01);
    point.under_setpoint_v = Some(measured(0.05, 0.02));
    let (found, seen) = reading("at-setpoint", &log(short()), &after, &Agreed::default());
    assert_eq!(found, Reading::Fail, "{seen}");
    assert!(seen.contains("from 190.0 s to 200.0 s"), "{seen}");
}

#[test]
fn an_assumed_setpoint_shows_nothing() {
    use crate::estimate::Grade;
    let mut after = log(cured());
    let assumed = crate::estimate::Estimate::around(0.0, 0.02, Grade::Assumed, "common");
    after.diagnosis.operating_points[1].under_setpoint_v = Some(assumed);
    let found = reading("at-setpoint", &log(short()), &after, &Agreed::default());
    assert_eq!(found.0, Reading::NotShown);
    after.diagnosis.operating_points[1].under_setpoint_v = None;
    let found = reading("at-setpoint", &log(short()), &after, &Agreed::default());
    assert_eq!(found.0, Reading::NotShown);
}

#[test]
fn never_draining_reads_how_sure_the_state_is() {
    let before = log(short());
    let of = |after: &Recorded| reading("never-draining", &before, after, &Agreed::default());
    assert_eq!(of(&log(cured())).0, Reading::Pass);
    assert_eq!(of(&log(short())).0, Reading::Fail);
    let mut maybe = log(short());
    maybe.diagnosis.operating_points[1].state_confidence = 0.6;
    assert_eq!(of(&maybe).0, Reading::NotShown);
    let mut slipping = log(cured());
    slipping.diagnosis.operating_points[0].state = BusState::Limited;
    assert_eq!(of(&slipping).0, Reading::Pass);
    assert_eq!(of(&log(Vec::new())).0, Reading::NotShown);
}

#[test]
fn setpoint_sound_reads_the_interval() {
    let before = log(short());
    let of = |setpoint_v: f64| {
        let after = with_setpoint(log(cured()), setpoint_v);
        reading("setpoint-sound", &before, &after, &Agreed::default()).0
    };
    assert_eq!(of(14.2), Reading::Pass);
    assert_eq!(of(13.4), Reading::Fail);
    assert_eq!(of(15.1), Reading::Fail);
    assert_eq!(of(15.01), Reading::NotShown);
    let mut none = log(cured());
    none.diagnosis.setpoint_v = None;
    let found = reading("setpoint-sound", &before, &none, &Agreed::default());
    assert_eq!(found.0, Reading::NotShown);
}

#[test]
fn only_the_agreed_loads_have_to_be_on() {
    let before = log(short());
    let after = log(vec![holding(&[]), holding(&["fan"])]);
    let fan = agreed(|a| a.loads = names(&["Fan"]));
    assert_eq!(reading("loads-held", &before, &after, &fan).0, Reading::Pass);
    let wrong = agreed(|a| a.loads = names(&["horn"]));
    let error = compare(&before, &[after], &wrong).expect_err("no such load");
    assert!(error.to_string().contains("\"fan\", \"blower\""), "{error}");
}

/// Two later logs may name one load differently; one log may not.
#[test]
fn stated_pairs_are_held_against_each_log() {
    let before = recorded(diagnosis(&["fan", "blower"], short()));
    let named = |fan: &str| {
        let points = vec![holding(&[]), holding(&[fan, "blower"])];
        recorded(diagnosis(&[fan, "blower"], points))
    };
    let pairs = |pairs: &[&str]| Agreed {
        same: pairs.iter().map(|p| p.parse().expect("a pair")).collect(),
        ..Agreed::default()
    };
    let (first, second) = (named("relay 7"), named("out 3"));
    let both = [first.clone(), second];
    let proof = compare(&before, &both, &pairs(&["fan=relay 7", "fan=out 3"])).expect("paired");
    assert_eq!(proof.outcome, Outcome::RepairProven);
    assert!(proof.afters.iter().all(|a| a.outcome == Outcome::RepairProven));
    for wrong in [["fan=relay 7", "fan=blower"], ["fan=relay 7", "blower=relay 7"]] {
        let stated = pairs(&wrong);
        let found = compare(&before, std::slice::from_ref(&first), &stated);
        assert!(matches!(found, Err(SameError::Twice { .. })), "{wrong:?}");
    }
    let unknown = compare(&before, &[first], &pairs(&["horn=relay 7"]));
    assert!(matches!(unknown, Err(SameError::Unknown { .. })));
}
