//! The tables, opened by a program that is none of ours: DuckDB, where python3 has it
//! (`pip install duckdb`; `.ci/run` does), or in the Python that REVIEW_PYTHON names.

use std::process::Command;

use serde_json::Value;

use super::{dyno_day, review_json, reviewed};
use crate::support::{Garage, plain, root};

/// What the other program reads, as JSON; `None` where it is not there.
fn as_duckdb_reads(garage: &Garage, out: &str) -> Option<Value> {
    let python = std::env::var("REVIEW_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = root().join("tests/cli/review/read_tables.py");
    let said = Command::new(python).arg(script).arg(garage.path().join(out)).output().ok()?;
    let stderr = String::from_utf8_lossy(&said.stderr);
    if stderr.contains("No module named 'duckdb'") {
        return None;
    }
    assert!(said.status.success(), "{stderr}");
    Some(serde_json::from_slice(&said.stdout).expect("JSON"))
}

#[test]
fn another_program_reads_the_same_figures() {
    let garage = dyno_day();
    reviewed(&garage, &["day", "--out", "out"]).ends(11);
    let Some(read) = as_duckdb_reads(&garage, "out") else {
        eprintln!("skipped: no DuckDB in python3; pip install duckdb");
        return;
    };
    // CSV and Parquet, row by row, cell by cell: the script compares, and says so.
    assert_eq!(read["differences"], serde_json::json!([]));
    let review = review_json(&garage, "out");
    let rows = review["rows"].as_array().expect("rows");
    assert_eq!(read["rows"]["logs"], rows.len());
    let near = |a: &Value, b: &Value| match (a.as_f64(), b.as_f64()) {
        // Tables hold six decimals.
        (Some(a), Some(b)) => (a - b).abs() <= 0.500_001e-6,
        (a, b) => a == b,
    };
    for row in rows {
        let log = row["log"].as_str().expect("a path");
        let table = &read["logs"][log];
        let summary = &row["result"]["read"];
        for (column, figure) in [
            ("setpoint_v", &summary["setpoint_v"]["value"]),
            ("setpoint_v_low", &summary["setpoint_v"]["low"]),
            ("lowest_v", &summary["lowest"]["voltage_v"]["value"]),
            ("deficit_a", &summary["deficit_a"]["value"]),
            ("deficit_a_high", &summary["deficit_a"]["high"]),
            ("keep_up_rpm", &summary["keep_up"]["rpm"]["value"]),
            ("heat_loss_v", &summary["heat_loss"]["lost_v"]["value"]),
            ("worst_seconds", &summary["worst"]["seconds"]),
            ("duration_s", &summary["duration_s"]),
        ] {
            assert!(near(&table[column], figure), "{log} {column}: {} {figure}", table[column]);
        }
        let Some(report) = summary["report"].as_str() else {
            assert_eq!((&table["read"], &read["counts"][log]), (&"no".into(), &Value::Null));
            continue;
        };
        let text = garage.text(&format!("out/{report}/diagnosis.json"));
        let diagnosis: Value = serde_json::from_str(&text).expect("JSON");
        let lists = ["load_steps", "operating_points", "findings"];
        for (table, list) in ["steps", "operating_points", "findings"].into_iter().zip(lists) {
            let count = diagnosis[list].as_array().map_or(0, Vec::len);
            let counted = read["counts"][log][table].as_u64().unwrap_or(0);
            assert_eq!(counted, count as u64, "{log} {table}");
        }
        let sum: f64 = diagnosis["operating_points"]
            .as_array()
            .expect("points")
            .iter()
            .filter_map(|point| point["voltage_v"]["value"].as_f64())
            .sum();
        let summed = read["counts"][log]["voltage_sum_v"].as_f64().expect("a sum");
        assert!((sum - summed).abs() < 1e-4, "{log}: {sum} {summed}");
    }
}

#[test]
fn every_column_is_told_of_in_the_readme_and_carries_its_unit() {
    let garage = Garage::new();
    garage.put("day/a.csv", plain());
    reviewed(&garage, &["day", "--out", "out"]).ends(0);
    let readme = std::fs::read_to_string(root().join("README.md")).expect("the README");
    for table in ["logs", "steps", "operating_points", "findings"] {
        let text = garage.text(&format!("out/{table}.csv"));
        let header = text.lines().next().expect("a header");
        for column in header.split(',') {
            let ends = ["_low", "_high", "_grade"];
            let stem = ends.iter().fold(column, |name, end| name.strip_suffix(end).unwrap_or(name));
            let told =
                readme.contains(&format!("`{column}`")) || readme.contains(&format!("`{stem}`"));
            assert!(told, "{table}.{column} stands nowhere in the README");
        }
    }
}

#[test]
fn a_name_like_a_formula_is_only_text() {
    let garage = Garage::new();
    garage.put("day/=1+1.csv", plain());
    garage.put("day/@sum(a).csv", "no log\n");
    reviewed(&garage, &["day", "--out", "out"]).ends(11);
    for table in ["logs", "operating_points"] {
        let text = garage.text(&format!("out/{table}.csv"));
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        for record in reader.records() {
            for cell in record.expect("a row").iter() {
                let number = cell.parse::<f64>().is_ok();
                assert!(number || !cell.starts_with(['=', '+', '-', '@']), "{table}: {cell}");
            }
        }
    }
}
