//! The whole way, from spoiled logs to every page, table and picture.

use proptest::prelude::*;
use stiffbus::car::Car;
use stiffbus::diagnose;
use stiffbus::ingest::ReadOptions;
use stiffbus::json;
use stiffbus::report::{self, svg, tables};

use crate::bytes::{options, spoiled};
use crate::support::{Row, cases, read, rows};

/// What a cell of a running log may hold instead of what it should.
const WILD: &[&str] = &[
    "1e308", "-1e308", "1e-320", "NaN", "inf", "", "-", "0", "-0", "99.9", "-99.9", "1e5", "99999",
    "x", "100", "14.2", "12.0", "0.0001", "1e-9", "9999", "255", "65535", "-40",
];

/// A log with every channel, of which some cells went wild.
fn wild() -> impl Strategy<Value = Vec<u8>> {
    let cell = (any::<prop::sample::Index>(), 0usize..9, 0..WILD.len());
    let stretch = (any::<prop::sample::Index>(), 1usize..60, 1usize..9, 0..WILD.len());
    (
        40usize..500,
        prop::collection::vec(cell, 0..30),
        prop::collection::vec(stretch, 0..4),
        prop::sample::select(vec![0.001, 0.1, 1.0, 7.0, 3600.0, 80_000.0, 1e8]),
        prop::collection::vec((any::<prop::sample::Index>(), -1e10f64..1e10), 0..3),
    )
        .prop_map(|(count, cells, stretches, pace, jumps)| {
            let mut table: Vec<Vec<String>> = rows(count)
                .iter()
                .map(|&Row { t, v, rpm, fan }| {
                    vec![
                        format!("{}", t * 10.0 * pace),
                        format!("{v:.2}"),
                        format!("{:.2}", v + 0.2),
                        format!("{rpm:.0}"),
                        format!("{}", u8::from(fan)),
                        format!("{:.1}", 60.0 - 80.0 * (14.3 - v).abs()),
                        format!("{:.1}", 5.0 - 30.0 * (14.2 - v)),
                        format!("{:.1}", 80.0 + t / 10.0),
                        format!("{:.0}", 2.4 * rpm),
                    ]
                })
                .collect();
            for (row, column, with) in cells {
                let at = row.index(count);
                table[at][column] = WILD[with].to_owned();
            }
            for (row, length, column, with) in stretches {
                let from = row.index(count);
                let upto = (from + length).min(count);
                table[from..upto].iter_mut().for_each(|row| row[column] = WILD[with].to_owned());
            }
            for (row, by) in jumps {
                for line in &mut table[row.index(count)..] {
                    if let Ok(t) = line[0].parse::<f64>() {
                        line[0] = format!("{}", t + by);
                    }
                }
            }
            let head = "time (s),battery voltage (V),alternator voltage (V),engine rpm,fan,alternator current (A),battery current (A),coolant (C),alternator rpm";
            let lines: Vec<String> = table.iter().map(|row| row.join(",")).collect();
            format!("{head}\n{}\n", lines.join("\n")).into_bytes()
        })
}

fn goes_all_the_way(bytes: &[u8], options: &ReadOptions) {
    let Some(log) = read(bytes, options) else { return };
    let diagnosis = match diagnose(&log, &Car::default()) {
        Ok(diagnosis) => diagnosis,
        Err(error) => {
            assert!(error.to_string().contains("engine never runs"));
            return;
        }
    };
    // The log's own words may well be these: its cells and names are quoted.
    let quoted = (&diagnosis.source, &diagnosis.columns, &diagnosis.notes);
    let is_quoted = stiffbus::json::text(&quoted).contains("NaN");
    let page = report::html(&diagnosis);
    // The samples and the script, which stand last, are letters and a word of their own.
    let told = page.split_once("<script").map_or(page.as_str(), |(told, _)| told);
    assert!(is_quoted || !told.contains("NaN"), "a number that is none on the page");
    let json = json::text(&diagnosis);
    let again: stiffbus::diagnosis::Diagnosis =
        serde_json::from_str(&json).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(json::text(&again), json, "what is written is what is read");
    for text in [svg::trace(&diagnosis), svg::trace_narrow(&diagnosis)] {
        roxmltree::Document::parse(&text).expect("XML");
    }
    for index in 0..diagnosis.load_steps.len() {
        roxmltree::Document::parse(&svg::step(&diagnosis, index)).expect("XML");
    }
    let _ = (tables::steps_csv(&diagnosis), tables::operating_points_csv(&diagnosis));
    for width in [20, 80] {
        assert!(is_quoted || !report::terminal(&diagnosis, None, width).contains("NaN"));
    }
}

proptest! {
    #![proptest_config(cases(62, 2000))]

    #[test]
    fn wild_values_go_all_the_way(bytes in wild()) {
        goes_all_the_way(&bytes, &ReadOptions::default());
    }

    #[test]
    fn spoiled_bytes_go_all_the_way(bytes in spoiled(), options in options()) {
        goes_all_the_way(&bytes, &options);
    }
}
