//! `diagnosis.json`. The names are the contract other programs read: they are
//! written out here, apart from the types, so that a rename is noticed.

use crate::fixture;
use serde_json::Value;
use stiffbus::diagnosis::Diagnosis;
use stiffbus::json;

const ESTIMATE: [&str; 5] = ["value", "low", "high", "grade", "how"];

fn has(value: &Value, names: &[&str]) {
    for name in names {
        assert!(value.get(name).is_some(), "{name} is missing in {value}");
    }
}

#[test]
fn carries_every_name_of_the_contract() {
    let text = json::text(&fixture::overload());
    let json: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(json["schema"], "stiffbus.diagnosis.v2");
    has(&json["source"], &["file", "sha256", "rows_read", "duration_s", "sample_interval_s"]);
    has(&json["source"], &["resolution_v"]);
    has(&json["source"]["rows_skipped"][0], &["reason", "count", "first_line"]);
    has(&json["source"]["gaps"][0], &["start_s", "end_s"]);
    has(&json["columns"][0], &["name", "role", "tap", "unit"]);
    has(&json["phases"][0], &["kind", "start_s", "end_s"]);
    assert_eq!(json["phases"][1]["kind"], "cranking");
    has(&json["setpoint_v"], &ESTIMATE);
    has(&json["rest_voltage_v"], &ESTIMATE);
    has(&json["cranking"], &["lowest_v", "at_s", "duration_s"]);
    let step = &json["load_steps"][0];
    has(step, &["at_s", "load", "direction", "origin", "lag_s", "trough_v", "recovery_s"]);
    has(step, &["recovered_share", "rpm_before", "rpm_after"]);
    assert_eq!((&step["direction"], &step["origin"]), (&"on".into(), &"declared".into()));
    for name in ["baseline_v", "sag_v", "settled_v", "shift_v"] {
        has(&step[name], &ESTIMATE);
    }
    let point = &json["operating_points"][3];
    has(point, &["loads", "rpm_low", "rpm_high", "heat", "seconds", "state"]);
    assert_eq!((&point["heat"], &point["state"]), (&"hot".into(), &"draining".into()));
    for name in ["voltage_v", "implied_deficit_a", "regulation_shortfall_a"] {
        has(&point[name], &ESTIMATE);
    }
    has(&json["keep_up"][1], &["loads", "rpm", "bound"]);
    assert_eq!(json["keep_up"][0]["bound"], "below_seen");
    has(&json["keep_up"][1], &["missing_rpm", "ratio_factor", "pulley_ratio", "told"]);
    has(&json["heat"][0], &["change_v", "per_minute_v", "per_degree_v", "holds_late", "told"]);
    assert!(json["heat"].is_array() && json["line_drop"].is_array());
    let line = &json["line_drop"][2];
    assert_eq!((&line["side"], line["told"].is_string()), (&"ground".into(), true));
    for name in ["drop_v", "current_a", "resistance_ohm", "cable_ohm", "excess_ohm"] {
        has(&line[name], &ESTIMATE);
    }
    assert!(json["line_drop"][0]["current_a"].is_null());
    has(&json["battery"]["resistance_ohm"], &ESTIMATE);
    assert_eq!(json["verdict"]["word"], "falls short at idle");
    has(&json["verdict"], &["headline"]);
    has(&json["findings"][0], &["id", "severity", "statement", "evidence", "alternatives"]);
    has(&json["findings"][0], &["next_test"]);
    has(&json["findings"][0]["evidence"][0], &["start_s", "end_s", "text"]);
    assert_eq!(json["setpoint_v"]["grade"], "measured");
}

#[test]
fn absent_knowledge_is_null() {
    let json: Value = serde_json::from_str(&json::text(&fixture::minimal())).unwrap();
    for name in ["setpoint_v", "rest_voltage_v", "cranking", "setpoint_drift", "regulation"] {
        assert!(json[name].is_null(), "{name}");
        assert!(json.as_object().unwrap().contains_key(name), "{name} is left out");
    }
}

#[test]
fn reads_back_as_the_same_diagnosis() {
    for (name, diagnosis) in fixture::all() {
        let text = json::text(&diagnosis);
        assert!(text.ends_with("}\n"), "{name}");
        let back: Diagnosis = serde_json::from_str(&text).unwrap();
        assert_eq!(json::text(&back), text, "{name}");
        // The vast fixture carries more digits than are written.
        if name != "vast" {
            assert!(back == diagnosis, "{name}");
        }
    }
}

#[test]
fn numbers_carry_ten_digits_and_read_back_exactly() {
    let mut diagnosis = fixture::minimal();
    let thirds = [1.0 / 3.0, 86_400.123_456_7, 1.0e-9 / 7.0, 2.0e12 / 7.0, -0.1 / 3.0];
    for value in thirds {
        diagnosis.noise.sigma_v = value;
        let back: Diagnosis = serde_json::from_str(&json::text(&diagnosis)).unwrap();
        // The standard library's parser is correctly rounded: the reference here.
        let expected: f64 = format!("{value:.9e}").parse().unwrap();
        assert_eq!(back.noise.sigma_v, expected);
    }
}

#[test]
fn no_control_character_stands_bare_and_none_is_lost() {
    let mut diagnosis = fixture::overload();
    let name = "fan\u{1b}[31m\u{7f}\u{9b}2J\u{202e}<b>\"\\ é 风";
    diagnosis.load_steps[0].load = Some(name.into());
    let text = json::text(&diagnosis);
    let bare = |c: char| (c.is_control() && c != '\n') || c == '\u{202e}';
    assert_eq!(text.chars().find(|c| bare(*c)), None);
    let back: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(back["load_steps"][0]["load"], name);
}
