//! The summary of a proof for the terminal: outcome, what was agreed, the same
//! running before and after, what is missing, where the page lies.

use std::path::Path;

use anstyle::AnsiColor;

use crate::comparison::{
    After, Comparison, Conditions, MatchedPoint, Outcome, PointOutcome, PointSide, Reading,
};
use crate::diagnosis::BusState;
use crate::estimate::{Estimate, Grade};
use crate::report::Kind;
use crate::report::format::{self, AMP, VOLT, columns, plain, plural, shell_word, shorten, shown};
use crate::report::lists::{listed, more};
use crate::report::terminal::page::{BOLD, DIM, Page, RULED, UNGRADED};

use super::narrative;

/// Rows of the table of matched points, over all later logs; of each at least one.
const MOST_POINTS: usize = 3;
const MOST_MISSING: usize = 3;
/// From this width the table has room for before beside after, and for amps.
const ROOMY: usize = 96;
/// Columns that a reading takes, and that what is asked needs at least.
const READING: usize = 11;
const ASKED: usize = 40;

/// Text of at most `width` columns a line (80 where less than 60 is asked),
/// ending in a newline.
pub fn terminal(comparison: &Comparison, dir: Option<&Path>, width: usize) -> String {
    let mut page = Page::new(width);
    outcome(&mut page, comparison);
    // What a line of the criteria below states already is left out here.
    let missing = narrative::missing_elsewhere(comparison);
    listed(&mut page, narrative::missing_title(comparison.outcome), &missing, MOST_MISSING);
    criteria(&mut page, comparison);
    points(&mut page, comparison);
    page.line("");
    prediction(&mut page, comparison);
    on_trust(&mut page, comparison);
    if let Some(dir) = dir {
        let page_file = dir.join(Kind::Proof.page()).display().to_string();
        // Never broken in two: paths and commands are there to be copied.
        page.line(&format!("{BOLD}Page{BOLD:#}    {}", plain(&page_file)));
        page.line(&format!("{BOLD}Verify{BOLD:#}  stiffbus verify {}", shell_word(&shown(dir))));
    }
    page.text
}

fn outcome(page: &mut Page, comparison: &Comparison) {
    let style = match comparison.outcome {
        Outcome::RepairProven => AnsiColor::Green.on_default(),
        Outcome::ImprovedNotProven => AnsiColor::Yellow.on_default(),
        Outcome::NoChange | Outcome::NotComparable => AnsiColor::Cyan.on_default(),
        Outcome::Worse => AnsiColor::Red.on_default(),
    }
    .bold();
    let word = comparison.outcome.words().to_uppercase();
    let (before, afters) = narrative::files(comparison);
    let files = format!("{before}, then {}", afters.join(", "));
    let files = shorten(&files, page.width.saturating_sub(columns(&word) + 2));
    page.line(&format!("{style}{word}{style:#}  {DIM}{files}{DIM:#}"));
    page.item("", &format::capital(&comparison.headline), BOLD);
}

/// With one later log what was seen too; with several the readings alone.
fn criteria(page: &mut Page, comparison: &Comparison) {
    if comparison.criteria.is_empty() {
        return;
    }
    let name = format::capital(narrative::criteria_name(comparison));
    page.heading(&match comparison.outcome {
        Outcome::RepairProven => name,
        _ => format!("{name}: a proof requires a pass of each"),
    });
    let reading = |reading: Reading, seen: &str| format!("{}: {}", reading.words(), plain(seen));
    if comparison.afters.len() == 1 {
        let rows = comparison.criteria.iter().map(|c| {
            vec![
                plain(&c.asked),
                reading(c.before, &c.before_seen),
                reading(c.after, &c.after_seen),
            ]
        });
        page.table(RULED, &["criterion", "before", "after"], &[0, 1, 2], rows.collect());
        return;
    }
    // Where not all fit, what they come to together.
    let room = ASKED + READING * (comparison.afters.len() + 2) <= page.width;
    let each: &[After] = if room { &comparison.afters } else { &[] };
    let names: Vec<String> = each.iter().map(|after| plain(&after.side.name)).collect();
    let mut heads = vec!["criterion", "before"];
    heads.extend(names.iter().map(String::as_str));
    heads.push("all after");
    let rows = comparison.criteria.iter().map(|c| {
        let mut row = vec![plain(&c.asked), c.before.words().to_owned()];
        row.extend(each.iter().map(|after| {
            let same = after.criteria.iter().find(|other| other.id == c.id);
            same.map_or_else(String::new, |same| same.after.words().to_owned())
        }));
        row.push(c.after.words().to_owned());
        row
    });
    page.table(RULED, &heads, &[0], rows.collect());
}

fn points(page: &mut Page, comparison: &Comparison) {
    let each = (MOST_POINTS / comparison.afters.len().max(1)).max(1);
    let shown: Vec<(&After, &MatchedPoint)> = comparison
        .afters
        .iter()
        .flat_map(|after| {
            let kept = narrative::foremost(&after.points, each).into_iter();
            kept.filter_map(move |k| Some((after, after.points.get(k)?)))
        })
        .take(MOST_POINTS)
        .collect();
    if shown.is_empty() {
        page.item("", &format!("In brackets: 90 % interval. {UNGRADED}"), DIM);
        return;
    }
    page.heading("The same loads and speed, before and after");
    let roomy = page.width >= ROOMY;
    let alike = shown.iter().all(|(_, p)| p.conditions == Conditions::Same);
    let grades = || shown.iter().filter_map(|(_, p)| Some(discharge(&p.before)?.grade));
    let one_grade = grades().next().filter(|first| grades().all(|grade| grade == *first));
    let mut heads = vec!["loads on"];
    if roomy {
        heads.extend(["volts before", "volts after", "discharged, A"]);
    } else {
        heads.push("volts before, after");
    }
    heads.push("result");
    let several = comparison.afters.len() > 1;
    let rows = shown.iter().map(|(after, point)| {
        let mut running = shorten(&format::loads(&point.loads), 40);
        if let Some(band) = narrative::band(point.rpm_low, point.rpm_high) {
            running.push_str(&format!(", {band}"));
        }
        let log = if several { format!("{}: ", plain(&after.side.name)) } else { String::new() };
        let mut row = vec![log + &running];
        let (before, now) = (volts(&point.before.voltage_v), volts(&point.after.voltage_v));
        if roomy {
            row.extend([before, now]);
            row.push(match discharge(&point.before) {
                Some(e) if one_grade.is_none() => format!("{}, {}", AMP.compact(e), e.grade.word()),
                Some(e) => AMP.compact(e),
                None => "none".to_owned(),
            });
        } else {
            row.push(format!("{before}\n{now}"));
        }
        let says = match point.standing {
            PointOutcome::NoClearChange => "no change",
            standing => standing.words(),
        };
        row.push(match point.conditions {
            Conditions::Same => says.to_owned(),
            other => format!("{says} ({})", other.word()),
        });
        row
    });
    page.table(RULED, &heads, &[0], rows.collect());
    let all: usize = comparison.afters.iter().map(|after| after.points.len()).sum();
    let mut notes = vec!["In brackets: 90 % interval.".to_owned()];
    if alike {
        notes.push("All under like conditions.".to_owned());
    } else {
        notes.push("An improvement under easier or unknown conditions proves nothing.".to_owned());
    }
    if let Some(grade) = one_grade.filter(|_| roomy) {
        notes.push(format!("Amps: battery discharge before, {}.", grade.word()));
    }
    if all > shown.len() {
        let more = plural(all - shown.len(), "more point", "more points");
        notes.push(format!("{more} on the page."));
    }
    notes.push(UNGRADED.to_owned());
    page.item("", &notes.join(" "), DIM);
}

fn discharge(side: &PointSide) -> Option<&Estimate> {
    side.implied_deficit_a.as_ref().filter(|_| side.state == BusState::Draining)
}

fn volts(e: &Estimate) -> String {
    match e.grade {
        Grade::Measured => VOLT.compact(e),
        grade => format!("{}, {}", VOLT.compact(e), grade.word()),
    }
}

/// What the plan's prediction came to.
fn prediction(page: &mut Page, comparison: &Comparison) {
    let Some(prediction) = &comparison.prediction else { return };
    let kept = format::capital(prediction.kept.words());
    page.brief("Plan    ", &format!("{kept}. {}", narrative::plan_said(prediction)), 3);
}

/// What no log shows: the first line for all of them, the rest counted.
fn on_trust(page: &mut Page, comparison: &Comparison) {
    let mut all: Vec<&String> = Vec::new();
    for item in comparison.afters.iter().flat_map(|after| &after.on_trust) {
        if !all.contains(&item) {
            all.push(item);
        }
    }
    let Some(first) = all.first() else { return };
    page.brief("Assumed ", first, 2);
    if let Some(rest) = more(all.len(), 1) {
        let rest = plural(rest, "more assumption", "more assumptions");
        page.item("        ", &format!("{rest} on the page."), DIM);
    }
}
