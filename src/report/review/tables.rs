//! A review as tables for other tools, each as CSV and as Parquet with the same
//! names, figures and text. One row a log in `logs`; a load step, an operating point,
//! a finding in the others, each with the log and car that it is of. Units end the
//! names; an estimate takes four columns, `NAME`, `NAME_low`, `NAME_high` (its 90 %
//! interval) and `NAME_grade`; what is not known is empty.

use crate::diagnosis::{Bound, Finding, LoadStep, OperatingPoint, Severity};
use crate::format::plain;
use crate::report::tables::{Columns, point_columns, step_columns};
use crate::review::{LowestHeld, Outcome, Row, Summary, WorstPoint};

/// What one log adds to the tables but `logs`.
pub struct OfLog<'d> {
    pub log: &'d str,
    pub car: &'d str,
    pub steps: &'d [LoadStep],
    pub points: &'d [OperatingPoint],
    pub findings: &'d [Finding],
}

pub(super) fn logs(rows: &[&Row]) -> Columns {
    let mut columns = Columns::default();
    columns.text("log", rows, |r| r.log.clone());
    columns.text("car", rows, |r| r.car.clone());
    columns.number("order", rows, |r| Some(r.order as f64));
    let started = |r: &&Row| r.started.map(|at| at.format("%Y-%m-%dT%H:%M:%S%.f").to_string());
    columns.text("started", rows, |r| started(r).unwrap_or_default());
    columns.text("read", rows, |r| if r.summary().is_some() { "yes" } else { "no" }.to_owned());
    columns.text("reason", rows, |r| match &r.result {
        Outcome::Failed(failure) => failure.reason.replace('\n', "; "),
        Outcome::SameAs(log) => format!("same file as {log}"),
        Outcome::Read(_) => String::new(),
    });
    let mut text = |head: &str, of: &dyn Fn(&Summary) -> String| {
        columns.text(head, rows, |r| r.summary().map(of).unwrap_or_default());
    };
    text("verdict", &|s| s.verdict.words().to_owned());
    text("headline", &|s| s.headline.clone());
    text("sha256", &|s| s.sha256.clone());
    text("report", &|s| s.report.clone());
    let mut number = |head: &str, of: &dyn Fn(&Summary) -> Option<f64>| {
        columns.number(head, rows, |r| r.summary().and_then(of));
    };
    number("rows_read", &|s| Some(s.rows_read as f64));
    number("rows_skipped", &|s| Some(s.rows_skipped as f64));
    number("bad_cells", &|s| Some(s.quality.bad_cells as f64));
    number("gaps", &|s| Some(s.quality.gaps as f64));
    number("gaps_s", &|s| Some(s.quality.gaps_s));
    number("duration_s", &|s| Some(s.duration_s));
    number("sample_interval_s", &|s| Some(s.quality.sample_interval_s));
    number("resolution_v", &|s| s.quality.resolution_v);
    columns.text("missing", rows, |r| {
        r.summary().map_or_else(String::new, |s| s.quality.missing.join(" "))
    });
    columns.estimate("setpoint_v", rows, |r| r.summary()?.setpoint_v.as_ref());
    worst_columns(&mut columns, rows);
    columns.estimate("lowest_v", rows, |r| Some(&lowest(r)?.voltage_v));
    columns.text("lowest_loads", rows, |r| {
        lowest(r).map_or_else(String::new, |l| l.loads.join(" + "))
    });
    columns.number("lowest_rpm", rows, |r| lowest(r)?.rpm);
    columns.number("lowest_at_s", rows, |r| Some(lowest(r)?.at_s));
    columns.estimate("deficit_a", rows, |r| r.summary()?.deficit_a.as_ref());
    columns.text("keep_up_loads", rows, |r| {
        let keep_up = r.summary().and_then(|s| s.keep_up.as_ref());
        keep_up.map_or_else(String::new, |k| k.loads.join(" + "))
    });
    columns.estimate("keep_up_rpm", rows, |r| r.summary()?.keep_up.as_ref()?.rpm.as_ref());
    columns.text("keep_up_bound", rows, |r| {
        let keep_up = r.summary().and_then(|s| s.keep_up.as_ref());
        keep_up.map_or_else(String::new, |k| bound(k.bound).to_owned())
    });
    columns.estimate("heat_loss_v", rows, |r| Some(&r.summary()?.heat_loss.as_ref()?.lost_v));
    for (head, severity) in
        [("faults", Severity::Fault), ("cautions", Severity::Caution), ("notes", Severity::Note)]
    {
        columns.number(head, rows, |r| {
            let findings = &r.summary()?.findings;
            Some(findings.iter().filter(|f| f.severity == severity).count() as f64)
        });
    }
    columns.text("quality", rows, |r| {
        r.summary().map_or_else(String::new, |s| s.quality.remarks.join("; "))
    });
    columns
}

fn lowest<'r>(row: &&'r Row) -> Option<&'r LowestHeld> {
    row.summary()?.lowest.as_ref()
}

fn worst<'r>(row: &&'r Row) -> Option<&'r WorstPoint> {
    row.summary()?.worst.as_ref()
}

fn worst_columns(columns: &mut Columns, rows: &[&Row]) {
    columns
        .text("worst_loads", rows, |r| worst(r).map_or_else(String::new, |w| w.loads.join(" + ")));
    columns.number("worst_rpm_low", rows, |r| worst(r)?.rpm_low);
    columns.number("worst_rpm_high", rows, |r| worst(r)?.rpm_high);
    columns.text("worst_heat", rows, |r| {
        worst(r).map_or_else(String::new, |w| w.heat.word().to_owned())
    });
    columns.text("worst_state", rows, |r| {
        worst(r).map_or_else(String::new, |w| w.state.word().to_owned())
    });
    columns.number("worst_state_confidence", rows, |r| Some(worst(r)?.state_confidence));
    columns.number("worst_seconds", rows, |r| Some(worst(r)?.seconds));
    columns.estimate("worst_v", rows, |r| Some(&worst(r)?.voltage_v));
    columns.estimate("worst_under_setpoint_v", rows, |r| worst(r)?.under_setpoint_v.as_ref());
}

fn bound(bound: Bound) -> &'static str {
    match bound {
        Bound::Within => "within",
        Bound::BelowSeen => "below_seen",
        Bound::AboveSeen => "above_seen",
    }
}

pub(super) fn steps(of: &OfLog) -> Columns {
    let mut columns = owned_by(of, of.steps);
    step_columns(&mut columns, of.steps);
    columns
}

pub(super) fn points(of: &OfLog) -> Columns {
    let mut columns = owned_by(of, of.points);
    point_columns(&mut columns, of.points);
    columns
}

pub(super) fn findings(of: &OfLog) -> Columns {
    let mut columns = owned_by(of, of.findings);
    columns.text("finding", of.findings, |f| f.id.clone());
    columns.text("severity", of.findings, |f| f.severity.word().to_owned());
    columns.number("start_s", of.findings, |f| f.evidence.first().map(|e| e.start_s));
    columns.number("end_s", of.findings, |f| f.evidence.first().map(|e| e.end_s));
    columns.text("statement", of.findings, |f| f.statement.clone());
    columns.text("evidence", of.findings, |f| {
        f.evidence.iter().map(|e| plain(&e.text)).collect::<Vec<_>>().join("; ")
    });
    columns.text("alternatives", of.findings, |f| f.alternatives.join("; "));
    columns.text("next_test", of.findings, |f| f.next_test.clone());
    columns
}

fn owned_by<T>(of: &OfLog, rows: &[T]) -> Columns {
    let mut columns = Columns::default();
    columns.text("log", rows, |_| of.log.to_owned());
    columns.text("car", rows, |_| of.car.to_owned());
    columns
}
