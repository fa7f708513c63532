//! Many logs at once: a dyno day, or a fleet. The result of each log goes in, one
//! [`Review`] comes out. Only [`find`] reads folders; the rest is pure.

mod contract;
pub mod find;
pub mod group;
pub mod names;
pub mod order;
mod sketch;
mod soak;
mod summary;

use std::collections::BTreeMap;

pub use contract::*;
pub use summary::summary;

use crate::diagnosis::VerdictWord;
use crate::format::plural;
use crate::verdict::cautions;

/// Where the folder of a review keeps what it needs to be taken up again.
pub const STATE_FOLDER: &str = ".stiffbus-review";

/// One log, by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Reviewed {
    /// Path from the reviewed folder, with `/`; no two are alike.
    pub log: String,
    pub car: String,
    pub grouped_by: GroupedBy,
    pub started: Option<chrono::NaiveDateTime>,
    pub result: LogResult,
}

/// All logs together, in whatever order they come.
pub fn review(logs: Vec<Reviewed>, left_out: Vec<LeftOut>) -> Review {
    let mut how: BTreeMap<String, GroupedBy> = BTreeMap::new();
    let mut rows: Vec<Row> = Vec::with_capacity(logs.len());
    for Reviewed { log, car, grouped_by, started, result } in logs {
        how.entry(car.clone())
            .and_modify(|known| *known = grouped_by.max(*known))
            .or_insert(grouped_by);
        rows.push(Row { log, car, started, order: 0, result });
    }
    rows.sort_by(order::worst_first);
    let mut of_car: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (k, row) in rows.iter().enumerate() {
        of_car.entry(&row.car).or_default().push(k);
    }
    let days: Vec<(String, Vec<usize>)> = of_car
        .into_iter()
        .map(|(car, indices)| (car.to_owned(), in_time(&rows, indices)))
        .collect();
    for (_, day) in &days {
        for (place, &k) in day.iter().enumerate() {
            if let Some(row) = rows.get_mut(k) {
                row.order = place + 1;
            }
        }
    }
    let mut cars: Vec<CarDay> = days
        .into_iter()
        .map(|(name, indices)| {
            let day: Vec<&Row> = indices.iter().filter_map(|&k| rows.get(k)).collect();
            let grouped_by = how.get(&name).copied().unwrap_or(GroupedBy::Folder);
            let (soak, doubts) = (soak::soak(&day), group::doubts(&day, grouped_by));
            CarDay { name, grouped_by, rows: indices, soak, doubts }
        })
        .collect();
    cars.sort_by_key(|car| car.rows.iter().copied().min());
    for row in &mut rows {
        if let LogResult::Read(summary) = &mut row.result {
            summary.points = Vec::new();
        }
    }
    let analysed = rows.iter().filter(|row| row.summary().is_some()).count();
    let copies = rows.iter().filter(|row| row.is_copy()).count();
    let mut review = Review {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        headline: String::new(),
        analysed,
        failed: rows.len() - analysed - copies,
        copies,
        rows,
        cars,
        left_out,
        cautions: cautions::usual(),
        units: Default::default(),
    };
    review.headline = headline(&review);
    review
}

fn in_time(rows: &[Row], indices: Vec<usize>) -> Vec<usize> {
    let day: Vec<(&str, Option<chrono::NaiveDateTime>)> = indices
        .iter()
        .filter_map(|&k| rows.get(k))
        .map(|row| (row.log.as_str(), row.started))
        .collect();
    order::by_clock(&day).into_iter().filter_map(|at| indices.get(at).copied()).collect()
}

/// "8 logs of 2 cars: 6 fall short, 1 keeps up, 1 could not be read."
fn headline(review: &Review) -> String {
    let of = |words: &[VerdictWord]| {
        let verdicts = review.rows.iter().filter_map(Row::summary).map(|summary| summary.verdict);
        verdicts.filter(|word| words.contains(word)).count()
    };
    let short = of(&[VerdictWord::FallsShort, VerdictWord::FallsShortAtIdle]);
    let parts = [
        (of(&[VerdictWord::NotCharging]), "is not charging", "are not charging"),
        (short, "falls short", "fall short"),
        (of(&[VerdictWord::Overcharges]), "overcharges", "overcharge"),
        (of(&[VerdictWord::LittleInReserve]), "has little in reserve", "have little in reserve"),
        (of(&[VerdictWord::KeepsUp]), "keeps up", "keep up"),
        (of(&[VerdictWord::CannotTell]), "cannot tell", "cannot tell"),
        (review.failed, "could not be read", "could not be read"),
    ];
    let parts: Vec<String> = parts
        .iter()
        .filter(|part| part.0 > 0)
        .map(|&(n, one, many)| plural(n, one, many))
        .collect();
    let copies = match review.copies {
        0 => String::new(),
        n => format!(" {}.", plural(n, "file is a copy of another", "files are copies of others")),
    };
    format!(
        "{} of {}: {}.{copies}",
        plural(review.logs(), "log", "logs"),
        plural(review.counted_cars(), "car", "cars"),
        parts.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnosis::{BusState, Heat};
    use crate::estimate::{Estimate, Grade};

    pub fn summary_of(sha256: &str) -> Summary {
        Summary {
            sha256: sha256.to_owned(),
            report: format!("reports/{sha256}"),
            rows_read: 1000,
            rows_skipped: 0,
            duration_s: 100.0,
            verdict: VerdictWord::FallsShort,
            headline: String::new(),
            setpoint_v: None,
            worst: None,
            lowest: None,
            deficit_a: None,
            keep_up: None,
            heat_loss: None,
            findings: Vec::new(),
            quality: Quality {
                remarks: Vec::new(),
                bad_cells: 0,
                gaps: 0,
                gaps_s: 0.0,
                sample_interval_s: 0.1,
                resolution_v: None,
                missing: Vec::new(),
                columns: vec!["volts".into()],
            },
            sketch: Sketch::default(),
            points: Vec::new(),
        }
    }

    pub fn read(log: &str, change: impl FnOnce(&mut Summary)) -> Row {
        let mut summary = summary_of(log);
        change(&mut summary);
        let result = LogResult::Read(Box::new(summary));
        Row { log: log.to_owned(), car: "car".into(), started: None, order: 0, result }
    }

    pub fn failed(log: &str) -> Row {
        let result = LogResult::Failed(Failure { reason: "broken".into(), our_fault: false });
        Row { log: log.to_owned(), car: "car".into(), started: None, order: 0, result }
    }

    fn reviewed(row: Row) -> Reviewed {
        let Row { log, car, started, result, .. } = row;
        Reviewed { log, car, grouped_by: GroupedBy::Folder, started, result }
    }

    fn point(loads: &[&str], heat: Heat, volts: f64) -> SoakPoint {
        SoakPoint {
            loads: loads.iter().map(|&l| l.to_owned()).collect(),
            loads_logged: true,
            rpm_low: Some(0.0),
            rpm_high: Some(1100.0),
            rpm: Some(820.0),
            heat,
            at_s: 1.0,
            seconds: 10.0,
            voltage_v: Estimate::around(volts, 0.03, Grade::Measured, "mean"),
            under_setpoint_v: None,
            state: BusState::Limited,
            state_confidence: 1.0,
        }
    }

    fn day() -> Vec<Reviewed> {
        let run = |log: &str, heat, volts| {
            reviewed(read(log, |s| {
                s.points = vec![point(&["Fan", "ac"], heat, volts), point(&[log], heat, 14.0)];
            }))
        };
        vec![
            run("run-10", Heat::Hot, 13.0),
            run("run-2", Heat::Warm, 13.4),
            reviewed(failed("run-9")),
        ]
    }

    #[test]
    fn a_soak_curve_is_what_two_logs_share_in_the_order_of_time() {
        let review = review(day(), Vec::new());
        let [car] = review.cars.as_slice() else { panic!("one car: {:?}", review.cars) };
        let [soak] = car.soak.as_slice() else { panic!("one curve: {:?}", car.soak) };
        let logs: Vec<&str> = soak.readings.iter().map(|r| r.log.as_str()).collect();
        assert_eq!(logs, ["run-2", "run-10"]);
        assert_eq!(soak.readings.iter().map(|r| r.order).collect::<Vec<_>>(), [1, 3]);
        assert_eq!(soak.readings[0].change_v, None);
        let change = soak.readings[1].change_v.as_ref().expect("a change");
        assert!((change.value + 0.4).abs() < 1e-9);
        // Independent errors add as squares: 0.03 √2.
        assert!((change.half_width() - 0.03 * 2f64.sqrt()).abs() < 1e-9);
        assert!(soak.told.contains("0.40 V (0.36 to 0.44) lost over 2 logs"), "{}", soak.told);
    }

    #[test]
    fn whatever_order_the_logs_come_in_the_review_is_the_same() {
        let mut turned = day();
        turned.reverse();
        assert_eq!(review(day(), Vec::new()), review(turned, Vec::new()));
    }

    #[test]
    fn every_log_is_counted_once_and_the_headline_says_so() {
        let review = review(day(), Vec::new());
        assert_eq!((review.analysed, review.failed, review.rows.len()), (2, 1, 3));
        assert_eq!(review.headline, "3 logs of 1 car: 2 fall short, 1 could not be read.");
        assert_eq!(review.cars[0].rows.len(), 3);
    }

    #[test]
    fn logs_of_other_columns_are_doubted_to_be_of_the_same_car() {
        let mut logs = day();
        logs.push(reviewed(read("run-3", |s| s.quality.columns = vec!["Ubat".into()])));
        let doubts = review(logs, Vec::new()).cars[0].doubts.clone();
        assert_eq!(doubts.len(), 1);
        assert!(doubts[0].starts_with("run-3 has other columns"), "{doubts:?}");
        assert!(review(day(), Vec::new()).cars[0].doubts.is_empty());
    }

    #[test]
    fn a_review_is_read_from_its_json_as_it_was_written() {
        let text = crate::json::text(&review(day(), Vec::new()));
        let again: Review = serde_json::from_str(&text).expect("JSON");
        assert_eq!(crate::json::text(&again), text);
    }
}
