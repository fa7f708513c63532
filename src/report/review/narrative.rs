//! The words that page and terminal share: what a log is called, where on the axes
//! of loads, speed and heat a number was read, what the day came to.

use crate::diagnosis::{Bound, BusState, Heat, SURE, VerdictWord};
use crate::estimate::Estimate;
use crate::report::format::{self, AMP, RPM, VOLT, plain, plural};
use crate::review::{KeepUpSpeed, LogResult, Review, Row, Summary, WorstPoint};

/// In the place of a verdict.
pub const UNREAD: &str = "could not be read";
const COPY: &str = "same file";

pub fn verdict(row: &Row) -> &'static str {
    match &row.result {
        LogResult::Read(summary) => summary.verdict.words(),
        LogResult::Failed(_) => UNREAD,
        LogResult::SameAs(_) => COPY,
    }
}

/// How many of each verdict, in the order of the rows.
pub fn verdict_counts(rows: &[Row]) -> Vec<(&'static str, usize)> {
    let mut counted: Vec<(&str, usize)> = Vec::new();
    for row in rows {
        let word = verdict(row);
        match counted.iter_mut().find(|(known, _)| *known == word) {
            Some((_, n)) => *n += 1,
            None => counted.push((word, 1)),
        }
    }
    counted
}

/// "6 of 8 logs fall short": the worst that is true of any.
pub fn came_to(review: &Review) -> String {
    let count = |words: &[VerdictWord]| {
        let verdicts = review.rows.iter().filter_map(Row::summary).map(|s| s.verdict);
        verdicts.filter(|word| words.contains(word)).count()
    };
    use VerdictWord::{
        CannotTell, FallsShort, FallsShortAtIdle, KeepsUp, LittleInReserve, NotCharging,
        Overcharges,
    };
    let all = review.logs();
    let of = |n: usize, one: &str, many: &str| {
        let verb = if n == 1 { one } else { many };
        match (n == all, all) {
            (true, 1) => format!("The log {verb}"),
            (true, _) => format!("All {} logs {verb}", format::count(all)),
            (false, _) => format!("{} of {} {verb}", format::count(n), plural(all, "log", "logs")),
        }
    };
    let (dead, short) = (count(&[NotCharging]), count(&[FallsShort, FallsShortAtIdle]));
    let (over, little) = (count(&[Overcharges]), count(&[LittleInReserve]));
    let (open, good) = (count(&[CannotTell]), count(&[KeepsUp]));
    match (dead, short, over, little) {
        _ if all == 0 => "No logs".to_owned(),
        (0, 0, 0, 0) if good == 0 && open == 0 => of(review.failed, UNREAD, UNREAD),
        (0, 0, 0, 0) if good == 0 => of(open, "cannot tell", "cannot tell"),
        (0, 0, 0, 0) => of(good, "keeps up", "keep up"),
        (0, 0, 0, n) => of(n, "has little in reserve", "have little in reserve"),
        (0, 0, n, _) => of(n, "overcharges", "overcharge"),
        (0, n, ..) => of(n, "falls short", "fall short"),
        (n, 0, ..) => of(n, "is not charging", "are not charging"),
        (n, m, ..) => of(n + m, "falls short or does not charge", "fall short or do not charge"),
    }
}

/// The worst log in a sentence: "Worst: run-8.csv falls short at idle; with fan on at
/// 812 rpm, hot: 12.41 V (12.39 to 12.43)." `None` where none is bad.
pub fn worst(review: &Review) -> Option<String> {
    let row = review.rows.first()?;
    let summary = row.summary().filter(|summary| is_bad(summary.verdict))?;
    let said = format!("Worst: {} {}", format::shorten(&row.log, 80), verdict(row));
    let Some(point) = &summary.worst else { return Some(said + ".") };
    let discharge = discharge(point).map_or_else(String::new, |amps| format!(", {amps}"));
    Some(format!(
        "{said}; {}{}: {}{discharge}.",
        format::with_loads(&point.loads),
        running(point.rpm, point.rpm_low, point.rpm_high, point.heat)
            .map_or_else(String::new, |at| format!(" {at}")),
        VOLT.with_range(&point.voltage_v),
    ))
}

/// How far the setpoint moved over the day of one car, where it surely did.
pub fn setpoint_change(review: &Review) -> Option<String> {
    let moved = review.cars.iter().filter_map(|car| {
        let rows = car.rows.iter().filter_map(|&row| review.rows.get(row)?.summary());
        let mut setpoints = rows.filter_map(|summary| summary.setpoint_v.as_ref());
        let (first, last) = (setpoints.next()?, setpoints.next_back()?);
        let apart = first.low > last.high || last.low > first.high;
        apart.then_some((&car.name, first, last))
    });
    let change_v =
        |(_, first, last): &(&String, &Estimate, &Estimate)| (first.value - last.value).abs();
    let (car, first, last) = moved.max_by(|a, b| change_v(a).total_cmp(&change_v(b)))?;
    let of = if review.cars.len() > 1 { format!(" of {}", plain(car)) } else { String::new() };
    let verb = if last.value < first.value { "fell" } else { "rose" };
    Some(format!(
        "The setpoint{of} {verb} from {} to {} over the day.",
        VOLT.with_range(first),
        VOLT.with_range(last)
    ))
}

pub fn is_bad(word: VerdictWord) -> bool {
    !matches!(word, VerdictWord::KeepsUp | VerdictWord::LittleInReserve | VerdictWord::CannotTell)
}

/// "at 812 rpm, hot"; no number is torn from its unit.
pub fn running(
    rpm: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    heat: Heat,
) -> Option<String> {
    let mut parts: Vec<String> = Vec::new();
    match (rpm.filter(|rpm| rpm.is_finite()), format::rpm_band(low, high)) {
        (Some(rpm), _) => parts.push(format!("at {}", RPM.of(rpm).replace(' ', "\u{a0}"))),
        (None, Some(band)) => parts.push(format!("at {band}\u{a0}{}", RPM.name)),
        (None, None) => {}
    }
    if heat != Heat::Unknown {
        parts.push(heat.word().to_owned());
    }
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// "draining", or that it may be.
pub fn state(state: BusState, confidence: f64) -> String {
    let word = state.label();
    if confidence >= SURE { word.to_owned() } else { format!("{word}, not certain") }
}

/// "the battery discharges at 24 A (14 to 36, assumed)"; only where it is draining.
pub fn discharge(point: &WorstPoint) -> Option<String> {
    let amps = point.implied_deficit_a.as_ref().filter(|_| point.state == BusState::Draining)?;
    Some(format!("the battery discharges at {}", AMP.with_range(amps)))
}

/// Amps of battery discharge, if any.
pub fn deficit(summary: &Summary) -> Option<&Estimate> {
    summary.deficit_a.as_ref().filter(|amps| !AMP.is_nothing(amps))
}

/// What is seen where no speed is known.
pub fn keep_up_bound(keep_up: &KeepUpSpeed) -> String {
    let rpm = |rpm: f64| RPM.of(rpm).replace(' ', "\u{a0}");
    match keep_up.bound {
        Bound::BelowSeen => {
            format!("keeps up at every speed seen, from {}", rpm(keep_up.seen_low_rpm))
        }
        Bound::AboveSeen => {
            format!("does not keep up at any speed seen, up to {}", rpm(keep_up.seen_high_rpm))
        }
        Bound::Within => format::NOT_TOLD.to_owned(),
    }
}

/// "1 fault, 2 cautions"; `None` where nothing was found.
pub fn findings(summary: &Summary) -> Option<String> {
    use crate::diagnosis::Severity::{Caution, Fault, Note};
    let kinds =
        [(Fault, "fault", "faults"), (Caution, "caution", "cautions"), (Note, "note", "notes")];
    let parts: Vec<String> = kinds
        .into_iter()
        .map(|(severity, one, many)| (count(summary, severity), one, many))
        .filter(|(n, ..)| *n > 0)
        .map(|(n, one, many)| plural(n, one, many))
        .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

pub fn count(summary: &Summary, severity: crate::diagnosis::Severity) -> usize {
    summary.findings.iter().filter(|finding| finding.severity == severity).count()
}

/// Which log a copy is of.
pub fn copy(row: &Row) -> Option<String> {
    let LogResult::SameAs(log) = &row.result else { return None };
    Some(format!("same file as {}; not counted", plain(log)))
}

/// Why a log could not be read, in one line.
pub fn reason(row: &Row) -> Option<String> {
    let LogResult::Failed(failure) = &row.result else { return None };
    let lines: Vec<&str> =
        failure.reason.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let reason = plain(&lines.join(" "));
    Some(if failure.our_fault {
        format!("{reason} (a fault of stiffbus, not of the log)")
    } else {
        reason
    })
}
