//! The CSV tables, read back with the csv crate.

use std::collections::HashMap;

use crate::fixture;
use stiffbus::diagnosis::Diagnosis;
use stiffbus::report::tables;

fn read(text: &str) -> Vec<HashMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().collect::<Result<_, _>>().unwrap()
}

fn heads(text: &str) -> Vec<String> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.headers().unwrap().iter().map(Into::into).collect()
}

#[test]
fn estimates_have_interval_and_grade_beside_them() {
    let diagnosis = fixture::overload();
    let steps = tables::steps_csv(&diagnosis);
    let points = tables::operating_points_csv(&diagnosis);
    let lines = tables::line_drop_csv(&diagnosis);
    let estimates = [
        (&steps, "baseline_v"),
        (&steps, "trough_v"),
        (&steps, "sag_v"),
        (&steps, "settled_v"),
        (&steps, "shift_v"),
        (&steps, "recovery_s"),
        (&points, "voltage_v"),
        (&points, "implied_deficit_a"),
        (&points, "regulation_shortfall_a"),
        (&lines, "drop_v"),
        (&lines, "current_a"),
        (&lines, "resistance_ohm"),
        (&lines, "cable_ohm"),
        (&lines, "excess_ohm"),
    ];
    for (table, name) in estimates {
        let heads = heads(table);
        let at = heads.iter().position(|h| h == name).unwrap();
        let beside = ["low", "high", "grade"].map(|part| format!("{name}_{part}"));
        assert_eq!(heads[at + 1..at + 4], beside);
    }
    let rows = read(&points);
    assert_eq!(rows.len(), diagnosis.operating_points.len());
    let last = &rows[3];
    assert_eq!(last["voltage_v"], "12.63");
    assert_eq!(last["voltage_v_low"], "12.61");
    assert_eq!(last["voltage_v_high"], "12.65");
    assert_eq!(last["voltage_v_grade"], "measured");
    assert_eq!(last["implied_deficit_a"], "14");
    assert_eq!(last["implied_deficit_a_grade"], "inferred");
    assert_eq!(last["state"], "draining");
    assert_eq!(rows[0]["implied_deficit_a"], "");
    let rows = read(&steps);
    assert_eq!(rows[3]["shift_v"], "-0.26");
    assert_eq!(rows[3]["recovery_s"], "");
    assert_eq!(rows[0]["load"], "fans");
}

#[test]
fn the_output_curve_is_a_table_where_there_is_one() {
    let curve = tables::output_curve_csv(&fixture::overload()).unwrap();
    let rows = read(&curve);
    assert_eq!(rows.len(), 4);
    assert_eq!(rows[0]["amps_a"], "28.4");
    assert_eq!(rows[0]["amps_a_low"], "27.6");
    assert_eq!(rows[0]["sheet_a_grade"], "assumed");
    assert_eq!(rows[2]["full_output"], "no");
    assert_eq!(rows[2]["share_of_sheet"], "");
    assert_eq!(tables::output_curve_csv(&fixture::minimal()), None);
}

#[test]
fn cells_cannot_run_in_a_spreadsheet() {
    let diagnosis = fixture::hostile();
    let tables = [
        tables::steps_csv(&diagnosis),
        tables::operating_points_csv(&diagnosis),
        tables::line_drop_csv(&diagnosis),
        tables::output_curve_csv(&diagnosis).unwrap(),
    ];
    let mut quoted = 0;
    for table in &tables {
        for (head, cell) in read(table).iter().flatten() {
            if cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
                assert!(cell.parse::<f64>().is_ok(), "{head}: {cell:?}");
            }
            quoted += usize::from(cell.starts_with('\''));
        }
    }
    assert!(quoted >= 4);
    let formula = |name: &str| {
        let mut diagnosis: Diagnosis = fixture::overload();
        diagnosis.load_steps[0].load = Some(name.into());
        read(&tables::steps_csv(&diagnosis))[0]["load"].clone()
    };
    assert_eq!(formula("=1+1"), "'=1+1");
    assert_eq!(formula("\tx"), "'\u{FFFD}x");
    assert_eq!(formula("fan\u{1b}[31m\u{202e}"), "fan\u{FFFD}[31m\u{FFFD}");
    assert_eq!(formula("  =1"), "'  =1");
    assert_eq!(formula("fan-1"), "fan-1");
}

#[test]
fn an_empty_diagnosis_still_has_heads() {
    let steps = tables::steps_csv(&fixture::minimal());
    assert_eq!(steps.lines().count(), 1);
    assert!(heads(&steps).contains(&"sag_v_high".to_owned()));
}

/// Ohms of a line are thousandths: six decimals keep a microhm.
#[test]
fn a_line_has_its_side_and_its_ohms() {
    let rows = read(&tables::line_drop_csv(&fixture::overload()));
    assert_eq!(rows.len(), 3);
    let ground = &rows[2];
    assert_eq!((ground["from"].as_str(), ground["side"].as_str()), ("alternator", "ground"));
    assert_eq!(ground["resistance_ohm"], "0.0041");
    assert_eq!(ground["resistance_ohm_grade"], "measured");
    assert_eq!(ground["cable_ohm_grade"], "inferred");
    assert_eq!(rows[0]["current_a"], "");
}
