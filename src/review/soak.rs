//! The soak curve: the same running seen again, log after log of one car. It has to be
//! the same loads in the same speed band; what the heat does to it is the question, so
//! heat may differ and is stated at every reading.

use std::collections::BTreeMap;

use super::{Row, Soak, SoakPoint, SoakReading};
use crate::estimate::Estimate;
use crate::format::{VOLT, plain, plural, rpm_band, with_loads};

/// Loads by name whatever their order and case, whether they are logged, and the low
/// edge of the speed band.
type Running = (Vec<String>, bool, Option<u64>);

/// The curves of a car whose logs are `rows`, in the order of time; that with the
/// deepest voltage first.
pub fn soak(rows: &[&Row]) -> Vec<Soak> {
    let mut curves: BTreeMap<Running, Vec<(&Row, &SoakPoint)>> = BTreeMap::new();
    for row in rows {
        for point in row.summary().map_or(&[][..], |summary| &summary.points) {
            curves.entry(running(point)).or_default().push((row, point));
        }
    }
    let mut soaks: Vec<Soak> = curves.into_values().filter_map(|seen| curve(&seen)).collect();
    let deepest =
        |soak: &Soak| soak.readings.iter().map(|r| r.voltage_v.value).fold(f64::INFINITY, f64::min);
    soaks.sort_by(|a, b| deepest(a).total_cmp(&deepest(b)));
    soaks
}

fn running(point: &SoakPoint) -> Running {
    let mut loads: Vec<String> = point.loads.iter().map(|l| l.trim().to_lowercase()).collect();
    loads.sort();
    // Band edges are whole numbers of rpm.
    (loads, point.loads_logged, point.rpm_low.map(|rpm| rpm as u64))
}

/// `None` where fewer than two logs share it.
fn curve(seen: &[(&Row, &SoakPoint)]) -> Option<Soak> {
    let (first_row, first) = *seen.first()?;
    let (_, last) = *seen.last()?;
    if seen.iter().all(|(row, _)| row.log == first_row.log) {
        return None;
    }
    let mut readings: Vec<SoakReading> = Vec::new();
    for (row, point) in seen {
        let change_v = readings.last().map(|before| change(&before.voltage_v, &point.voltage_v));
        readings.push(SoakReading {
            log: row.log.clone(),
            started: row.started,
            order: row.order,
            at_s: point.at_s,
            seconds: point.seconds,
            heat: point.heat,
            rpm: point.rpm,
            voltage_v: point.voltage_v.clone(),
            under_setpoint_v: point.under_setpoint_v.clone(),
            state: point.state,
            state_confidence: point.state_confidence,
            change_v,
        });
    }
    let overall_v = change(&first.voltage_v, &last.voltage_v);
    Some(Soak {
        loads: first.loads.clone(),
        loads_logged: first.loads_logged,
        rpm_low: first.rpm_low,
        rpm_high: first.rpm_high,
        told: told(first, &readings, &overall_v),
        readings,
        overall_v,
    })
}

/// Later less earlier. The errors of two logs are taken as independent; what the
/// logger's calibration is off goes into both alike and out of the difference.
fn change(earlier: &Estimate, later: &Estimate) -> Estimate {
    later.less(earlier, "later mean less earlier mean")
}

fn told(point: &SoakPoint, readings: &[SoakReading], overall_v: &Estimate) -> String {
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return String::new();
    };
    let band = rpm_band(point.rpm_low, point.rpm_high);
    let band = band.map_or(String::new(), |band| format!(" at {band} rpm"));
    let loads = if point.loads_logged {
        with_loads(&point.loads)
    } else {
        "whatever was on (loads not logged)".to_owned()
    };
    let mut logs: Vec<&str> = readings.iter().map(|reading| reading.log.as_str()).collect();
    logs.dedup();
    let what = match (overall_v.low > 0.0, overall_v.high < 0.0) {
        (true, _) => format!("{} gained", VOLT.with_range(overall_v)),
        (_, true) => format!("{} lost", VOLT.with_range(&overall_v.negated())),
        _ => format!("no change beyond the intervals ({})", VOLT.with_range(overall_v)),
    };
    format!(
        "{}{band}: {} in {} ({}), {} in {} ({}): {what} over {}{}.",
        crate::format::capital(&loads),
        VOLT.with_range(&first.voltage_v),
        plain(&first.log),
        heat(first),
        VOLT.with_range(&last.voltage_v),
        plain(&last.log),
        heat(last),
        plural(logs.len(), "log", "logs"),
        setpoint(first, last),
    )
}

/// A setpoint that drifts with heat takes the bus along; what is lost beyond that is
/// the alternator's.
fn setpoint(first: &SoakReading, last: &SoakReading) -> String {
    match (&first.under_setpoint_v, &last.under_setpoint_v) {
        (Some(first), Some(last)) => format!(
            "; under the setpoint of its log by {}, then by {}",
            VOLT.with_range(first),
            VOLT.with_range(last)
        ),
        _ => String::new(),
    }
}

fn heat(reading: &SoakReading) -> String {
    match reading.heat {
        crate::diagnosis::Heat::Unknown => "heat unknown".to_owned(),
        heat => heat.word().to_owned(),
    }
}
