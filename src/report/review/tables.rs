//! A review as tables for other tools, each as CSV and as Parquet with the same
//! names, figures and text. One row a log in `logs`; a load step, an operating point,
//! a finding in the others, each with the log and car that it is of. Units end the
//! names; an estimate takes four columns, `NAME`, `NAME_low`, `NAME_high` (its 90 %
//! interval) and `NAME_grade`; what is not known is empty.

use crate::diagnosis::{Bound, Finding, LoadStep, OperatingPoint, Severity};
use crate::format::plain;
use crate::report::review::narrative;
use crate::report::tables::{Columns, Table, point_columns, step_columns};
use crate::review::{KeepUpSpeed, LogResult, LowestHeld, Quality, Row, WorstPoint};

/// What one log adds to the tables but `logs`.
pub struct OfLog<'d> {
    pub log: &'d str,
    pub car: &'d str,
    pub steps: &'d [LoadStep],
    pub points: &'d [OperatingPoint],
    pub findings: &'d [Finding],
}

pub(super) fn logs(rows: &[&Row]) -> Columns {
    let mut table = Table::of(rows);
    table.text("log", |r| r.log.as_str());
    table.text("car", |r| r.car.as_str());
    table.number("order", |r| r.order as f64);
    table.text("started", |r| Some(r.started?.format("%Y-%m-%dT%H:%M:%S%.f").to_string()));
    table.text("read", |r| r.summary().is_some());
    table.text("reason", |r| match &r.result {
        LogResult::Failed(failure) => failure.reason.replace('\n', "; "),
        LogResult::SameAs(log) => format!("same file as {log}"),
        LogResult::Read(_) => String::new(),
    });
    table.text("verdict", |r| Some(r.summary()?.verdict.words()));
    table.text("headline", |r| Some(r.summary()?.headline.as_str()));
    table.text("sha256", |r| Some(r.summary()?.sha256.as_str()));
    table.text("report", |r| Some(r.summary()?.report.as_str()));
    table.number("rows_read", |r| Some(r.summary()?.rows_read as f64));
    table.number("rows_skipped", |r| Some(r.summary()?.rows_skipped as f64));
    table.number("bad_cells", |r| Some(quality(r)?.bad_cells as f64));
    table.number("gaps", |r| Some(quality(r)?.gaps as f64));
    table.number("gaps_s", |r| Some(quality(r)?.gaps_s));
    table.number("duration_s", |r| Some(r.summary()?.duration_s));
    table.number("sample_interval_s", |r| Some(quality(r)?.sample_interval_s));
    table.number("resolution_v", |r| quality(r)?.resolution_v);
    table.text("missing", |r| Some(quality(r)?.missing.join(" ")));
    table.estimate("setpoint_v", |r| r.summary()?.setpoint_v.as_ref());
    table.text("worst_loads", |r| Some(&worst(r)?.loads));
    table.number("worst_rpm_low", |r| worst(r)?.rpm_low);
    table.number("worst_rpm_high", |r| worst(r)?.rpm_high);
    table.text("worst_heat", |r| Some(worst(r)?.heat.word()));
    table.text("worst_state", |r| Some(worst(r)?.state.word()));
    table.number("worst_state_confidence", |r| Some(worst(r)?.state_confidence));
    table.number("worst_seconds", |r| Some(worst(r)?.seconds));
    table.estimate("worst_v", |r| Some(&worst(r)?.voltage_v));
    table.estimate("worst_under_setpoint_v", |r| worst(r)?.under_setpoint_v.as_ref());
    table.estimate("lowest_v", |r| Some(&lowest(r)?.voltage_v));
    table.text("lowest_loads", |r| Some(&lowest(r)?.loads));
    table.number("lowest_rpm", |r| lowest(r)?.rpm);
    table.number("lowest_at_s", |r| Some(lowest(r)?.at_s));
    table.estimate("deficit_a", |r| r.summary()?.deficit_a.as_ref());
    table.text("keep_up_loads", |r| Some(&keep_up(r)?.loads));
    table.estimate("keep_up_rpm", |r| keep_up(r)?.rpm.as_ref());
    table.text("keep_up_bound", |r| Some(bound(keep_up(r)?.bound)));
    table.estimate("heat_loss_v", |r| Some(&r.summary()?.heat_loss.as_ref()?.lost_v));
    for (head, severity) in
        [("faults", Severity::Fault), ("cautions", Severity::Caution), ("notes", Severity::Note)]
    {
        table.number(head, |r| Some(narrative::count(r.summary()?, severity) as f64));
    }
    table.text("quality", |r| Some(quality(r)?.remarks.join("; ")));
    table.columns()
}

fn quality<'r>(row: &&'r Row) -> Option<&'r Quality> {
    Some(&row.summary()?.quality)
}

fn worst<'r>(row: &&'r Row) -> Option<&'r WorstPoint> {
    row.summary()?.worst.as_ref()
}

fn lowest<'r>(row: &&'r Row) -> Option<&'r LowestHeld> {
    row.summary()?.lowest.as_ref()
}

fn keep_up<'r>(row: &&'r Row) -> Option<&'r KeepUpSpeed> {
    row.summary()?.keep_up.as_ref()
}

fn bound(bound: Bound) -> &'static str {
    match bound {
        Bound::Within => "within",
        Bound::BelowSeen => "below_seen",
        Bound::AboveSeen => "above_seen",
    }
}

pub(super) fn steps(of: &OfLog) -> Columns {
    let mut table = owned_by(of, of.steps);
    step_columns(&mut table);
    table.columns()
}

pub(super) fn points(of: &OfLog) -> Columns {
    let mut table = owned_by(of, of.points);
    point_columns(&mut table);
    table.columns()
}

pub(super) fn findings(of: &OfLog) -> Columns {
    let mut table = owned_by(of, of.findings);
    table.text("finding", |f| f.id.as_str());
    table.text("severity", |f| f.severity.word());
    table.number("start_s", |f| Some(f.evidence.first()?.start_s));
    table.number("end_s", |f| Some(f.evidence.first()?.end_s));
    table.text("statement", |f| f.statement.as_str());
    table.text("evidence", |f| {
        f.evidence.iter().map(|e| plain(&e.text)).collect::<Vec<_>>().join("; ")
    });
    table.text("alternatives", |f| f.alternatives.join("; "));
    table.text("next_test", |f| f.next_test.as_str());
    table.columns()
}

fn owned_by<'d, T>(of: &OfLog<'d>, rows: &'d [T]) -> Table<'d, T> {
    let mut table = Table::of(rows);
    table.text("log", |_| of.log);
    table.text("car", |_| of.car);
    table
}
