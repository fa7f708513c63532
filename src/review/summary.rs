//! One diagnosis in short.

use std::cmp::Ordering;

use super::{
    FindingMark, HeatLoss, KeepUpSpeed, LowestHeld, Quality, SoakPoint, Summary, WorstPoint,
};
use crate::diagnosis::{Bound, Diagnosis, HeatPair, KeepUp, OperatingPoint};
use crate::estimate::Estimate;
use crate::format::{SECOND, VOLT, plural};
use crate::log::Role;
use crate::review::sketch::sketch;
use crate::segment::unnamed::letter_of;

/// What `diagnosis` comes to; its report lies in the folder `report`.
pub fn summary(diagnosis: &Diagnosis, report: &str) -> Summary {
    let source = &diagnosis.source;
    let points = &diagnosis.operating_points;
    let mut findings: Vec<FindingMark> = diagnosis
        .findings
        .iter()
        .map(|finding| FindingMark {
            id: finding.id.clone(),
            severity: finding.severity,
            statement: finding.statement.clone(),
        })
        .collect();
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    Summary {
        sha256: source.sha256.clone(),
        report: report.to_owned(),
        rows_read: source.rows_read,
        rows_skipped: rows_skipped(diagnosis),
        duration_s: source.duration_s,
        verdict: diagnosis.verdict.word,
        headline: diagnosis.verdict.headline.clone(),
        setpoint_v: diagnosis.setpoint_v.clone(),
        worst: points.iter().min_by(|a, b| worse(a, b)).map(worst),
        lowest: points
            .iter()
            .min_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value))
            .map(lowest),
        deficit_a: points
            .iter()
            .filter_map(|point| point.implied_deficit_a.as_ref())
            .max_by(|a, b| a.value.total_cmp(&b.value))
            .cloned(),
        keep_up: diagnosis.keep_up.iter().max_by(|a, b| asks_more(a, b)).map(keep_up),
        heat_loss: diagnosis
            .heat
            .iter()
            .min_by(|a, b| a.change_v.value.total_cmp(&b.change_v.value))
            .filter(|pair| pair.change_v.value < 0.0)
            .map(heat_loss),
        findings,
        quality: quality(diagnosis),
        sketch: sketch(diagnosis),
        points: soak_points(diagnosis),
    }
}

/// Orders two points, the worse one first.
fn worse(a: &OperatingPoint, b: &OperatingPoint) -> Ordering {
    let value = |e: &Option<Estimate>| e.as_ref().map_or(0.0, |e| e.value);
    b.state
        .cmp(&a.state)
        .then(value(&b.implied_deficit_a).total_cmp(&value(&a.implied_deficit_a)))
        .then(value(&b.under_setpoint_v).total_cmp(&value(&a.under_setpoint_v)))
        .then(b.seconds.total_cmp(&a.seconds))
}

fn worst(point: &OperatingPoint) -> WorstPoint {
    WorstPoint {
        loads: point.loads.clone(),
        rpm_low: point.rpm_low,
        rpm_high: finite(point.rpm_high),
        rpm: point.rpm,
        heat: point.heat,
        voltage_v: point.voltage_v.clone(),
        under_setpoint_v: point.under_setpoint_v.clone(),
        state: point.state,
        state_confidence: point.state_confidence,
        implied_deficit_a: point.implied_deficit_a.clone(),
        seconds: point.seconds,
        at_s: first_seen(point),
    }
}

fn lowest(point: &OperatingPoint) -> LowestHeld {
    LowestHeld {
        voltage_v: point.voltage_v.clone(),
        loads: point.loads.clone(),
        rpm_low: point.rpm_low,
        rpm_high: finite(point.rpm_high),
        rpm: point.rpm,
        heat: point.heat,
        at_s: first_seen(point),
        seconds: point.seconds,
    }
}

fn first_seen(point: &OperatingPoint) -> f64 {
    point.spans.first().map_or(0.0, |span| span.start_s)
}

/// The highest band has no upper edge.
fn finite(rpm: Option<f64>) -> Option<f64> {
    rpm.filter(|rpm| rpm.is_finite())
}

/// Orders two sets of loads, the one that asks for more speed last.
fn asks_more(a: &KeepUp, b: &KeepUp) -> Ordering {
    let bound = |keep_up: &KeepUp| match keep_up.bound {
        Bound::BelowSeen => 0,
        Bound::Within => 1,
        Bound::AboveSeen => 2,
    };
    let rpm = |keep_up: &KeepUp| keep_up.rpm.as_ref().map_or(0.0, |rpm| rpm.value);
    bound(a)
        .cmp(&bound(b))
        .then(rpm(a).total_cmp(&rpm(b)))
        // Among sets that were never short, the heaviest that was seen says most.
        .then(a.loads.len().cmp(&b.loads.len()))
}

fn keep_up(of: &KeepUp) -> KeepUpSpeed {
    KeepUpSpeed {
        loads: of.loads.clone(),
        rpm: of.rpm.clone(),
        bound: of.bound,
        seen_low_rpm: of.seen_low_rpm,
        seen_high_rpm: of.seen_high_rpm,
        told: of.told.clone(),
    }
}

fn heat_loss(pair: &HeatPair) -> HeatLoss {
    HeatLoss {
        loads: pair.loads.clone(),
        rpm_low: pair.rpm_low,
        rpm_high: finite(pair.rpm_high),
        lost_v: pair.change_v.negated(),
        lost_per_minute_v: pair.per_minute_v.as_ref().map(Estimate::negated),
        told: pair.told.clone(),
    }
}

fn rows_skipped(diagnosis: &Diagnosis) -> usize {
    diagnosis.source.rows_skipped.iter().map(|skipped| skipped.count).sum()
}

/// Roles without which much stays open.
const MISSED: [(Role, &str); 2] =
    [(Role::EngineRpm, "engine speed not logged"), (Role::Load, "loads not logged")];
const TEMPERATURE: &str = "temperature";
/// A step of the converter as coarse as this hides what a load costs: half the 0.1 V
/// by which common practice recognizes a bad connection (no source).
const COARSE_V: f64 = 0.05;
/// Slower than this, the trough of a load step is missed (common practice, no source).
const SLOW_S: f64 = 0.5;

fn quality(diagnosis: &Diagnosis) -> Quality {
    let source = &diagnosis.source;
    let has = |word: &str| diagnosis.columns.iter().any(|column| column.role == word);
    let skipped = rows_skipped(diagnosis);
    let gaps_s: f64 = source.gaps.iter().map(|gap| gap.seconds()).sum();
    let mut remarks = Vec::new();
    let mut missing = Vec::new();
    if skipped > 0 {
        remarks.push(format!("{} skipped", plural(skipped, "row", "rows")));
    }
    if source.bad_cells > 0 {
        remarks.push(plural(source.bad_cells, "unreadable cell", "unreadable cells"));
    }
    if !source.gaps.is_empty() {
        let gaps = plural(source.gaps.len(), "gap", "gaps");
        remarks.push(format!("{gaps}, {}", SECOND.of(gaps_s)));
    }
    for (role, remark) in MISSED {
        if !has(role.word()) {
            missing.push(role.word().to_owned());
            remarks.push(remark.to_owned());
        }
    }
    if !has(TEMPERATURE) {
        missing.push(TEMPERATURE.to_owned());
        remarks.push("temperature not logged".to_owned());
    }
    if let Some(step_v) = source.resolution_v.filter(|step_v| *step_v >= COARSE_V) {
        remarks.push(format!("voltage in steps of {}", VOLT.of(step_v)));
    }
    if source.sample_interval_s > SLOW_S {
        remarks.push(format!("a sample every {}", SECOND.of(source.sample_interval_s)));
    }
    let used = |role: &str| role != Role::Ignored.word();
    Quality {
        remarks,
        bad_cells: source.bad_cells,
        gaps: source.gaps.len(),
        gaps_s,
        sample_interval_s: source.sample_interval_s,
        resolution_v: source.resolution_v,
        missing,
        columns: diagnosis
            .columns
            .iter()
            .filter(|column| used(&column.role))
            .map(|column| column.name.clone())
            .collect(),
    }
}

fn soak_points(diagnosis: &Diagnosis) -> Vec<SoakPoint> {
    let loads_logged = diagnosis.columns.iter().any(|column| column.role == Role::Load.word());
    // A load that only the voltage shows has no name by which to know it again.
    let named = |point: &&OperatingPoint| !point.loads.iter().any(|load| letter_of(load).is_some());
    let mut points: Vec<SoakPoint> = diagnosis
        .operating_points
        .iter()
        .filter(named)
        .map(|point| SoakPoint {
            loads: point.loads.clone(),
            loads_logged,
            rpm_low: point.rpm_low,
            rpm_high: finite(point.rpm_high),
            rpm: point.rpm,
            heat: point.heat,
            at_s: first_seen(point),
            seconds: point.seconds,
            voltage_v: point.voltage_v.clone(),
            under_setpoint_v: point.under_setpoint_v.clone(),
            state: point.state,
            state_confidence: point.state_confidence,
        })
        .collect();
    points.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    points
}
