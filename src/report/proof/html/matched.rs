//! One later log against the earlier one: the same running, the same switching, and
//! what of either has no partner.

use maud::{Markup, html as markup};

use crate::comparison::{
    After, Comparison, Conditions, MatchedKeepUp, MatchedPoint, MatchedStep, PointOutcome,
    PointSide, StepSide, Unmatched, When,
};
use crate::diagnosis::{Bound, Direction};
use crate::estimate::{Estimate, Grade};
use crate::report::Kind;
use crate::report::format::{self, SECOND, VOLT, plain};
use crate::report::html::frame::{table, text};
use crate::report::proof::narrative;
use crate::report::svg::answer;

use super::measure;

/// Rows that are printed, over all later logs: all of them are on the screen and
/// in the tables beside the page.
const PRINTED_POINTS: usize = 7;
const PRINTED_STEPS: usize = 3;
const PRINTED_KEEP_UP: usize = 3;
const PRINTED_UNMATCHED: usize = 2;

/// From so many later logs on, paper shows of each the one point that says most.
const TOO_MANY_LOGS: usize = 3;

pub fn matched(comparison: &Comparison) -> Markup {
    let afters = &comparison.afters;
    let too_many = afters.len() >= TOO_MANY_LOGS;
    markup! {
        @if too_many { (foremost_of_each(afters)) }
        @for (k, after) in afters.iter().enumerate() {
            section aria-labelledby=(id(after)) class=(if too_many { "off-paper" } else { "" }) {
                h2 id=(id(after)) { (title(comparison, after)) }
                (against(after, afters.len(), (k > 0).then_some(afters.first()).flatten()))
            }
        }
    }
}

fn id(after: &After) -> String {
    format!("h-{}", after.side.name.replace(|c: char| !c.is_ascii_alphanumeric(), "-"))
}

fn title(comparison: &Comparison, after: &After) -> String {
    if comparison.afters.len() == 1 {
        return "The same loads and speed, before and after".to_owned();
    }
    let file = format::shorten(&after.side.source.file, 60);
    format!("Before compared with {}, {file}: {}", plain(&after.side.name), after.outcome.words())
}

/// For paper only: every log's own section is on the screen.
fn foremost_of_each(afters: &[After]) -> Markup {
    let told = afters.iter().filter_map(|after| Some((after, narrative::most_informative(after)?)));
    let rows = told.map(|(after, point)| {
        let log = markup! { (format::capital(&plain(&after.side.name))) };
        let mut row = vec![log];
        row.extend([running(point), conditions(point)]);
        row.extend([side(&point.before), side(&point.after), change(point), says(point)]);
        row
    });
    let heads =
        ["Log", "Loads on", "Conditions after", "Before, V", "After, V", "Change, V", "Result"];
    let all = afters.iter().map(|after| after.points.len()).sum();
    markup! {
        div.on-paper {
            h2 { "The same loads and speed, before and after" }
            div.pairs { (table("The most informative point of each log, with 90 % interval", &heads, rows.collect())) }
            (more_in(all, afters.len(), "matched_points.csv"))
            ul.notes {
                @for after in afters { li { (format::capital(&plain(&after.side.name))) ": loads assumed to be the same: " (same_loads(after)) } }
                @if let Some(first) = afters.first() { @for item in &first.on_trust { li { "Assumed, not shown by the logs: " (plain(item)) } } }
            }
        }
    }
}

/// `first` is the later log whose section comes before this one.
fn against(after: &After, logs: usize, first: Option<&After>) -> Markup {
    let each = |most: usize| (most / logs.max(1)).max(2);
    // Switching and keep-up of several logs would take a third sheet.
    let roomy = if logs == 1 { "" } else { "off-paper" };
    let said_above = |item: &String| first.is_some_and(|first| first.on_trust.contains(item));
    let off_paper = |is: bool| if is { "off-paper" } else { "" };
    markup! {
        @if logs > 1 { p.off-paper { (format::capital(&plain(&after.headline))) } }
        @if first.is_none() {
            p {
                "Only operating points that both logs contain count: the same loads, the same band of "
                "engine speed, similar heat. An improvement under easier conditions proves nothing. "
                "A point is better or worse only if it changed by more than chance (p: how often logs "
                "without any change differ as much) and by more than battery charge and temperature "
                "move the voltage from day to day."
            }
        }
        @if let Some(carried) = after.gain_a.as_ref().and_then(narrative::carried) {
            p { "Over all points under like conditions, alternator and wiring carry " (carried) "." }
        }
        (points(&after.points, each(PRINTED_POINTS)))
        div class=(roomy) { (steps(&after.steps, PRINTED_STEPS, first.is_none())) }
        div class=(roomy) { (keep_up(&after.keep_up, PRINTED_KEEP_UP)) }
        ul.notes {
            li { (plain(&after.noise.told)) }
            li { "Loads assumed to be the same: " (same_loads(after)) }
            @for item in &after.on_trust {
                li class=(off_paper(said_above(item))) { "Assumed, not shown by the logs: " (plain(item)) }
            }
        }
        (unmatched(&after.unmatched))
    }
}

/// A row that is left out where the page is printed.
fn kept_off_paper(cell: Markup, printed: bool) -> Markup {
    markup! { @if printed { (cell) } @else { span.off-paper { (cell) } } }
}

fn more_in(rows: usize, printed: usize, file: &str) -> Markup {
    markup! {
        @if rows > printed {
            p.on-paper { (format::plural(rows - printed, "more row", "more rows")) " in " (file) "." }
        }
    }
}

fn points(points: &[MatchedPoint], most: usize) -> Markup {
    let printed = narrative::foremost(points, most);
    let alike = points.iter().all(|point| point.conditions == Conditions::Same);
    let rows = points.iter().enumerate().map(|(k, point)| {
        let mut row = vec![kept_off_paper(running(point), printed.contains(&k))];
        row.extend((!alike).then(|| conditions(point)));
        row.extend([side(&point.before), side(&point.after), change(point), says(point)]);
        row
    });
    let mut heads = vec!["Loads on"];
    heads.extend((!alike).then_some("Conditions after"));
    heads.extend(["Before, V", "After, V", "Change, V", "Result"]);
    let caption = if alike {
        "Matched operating points, all under like conditions, with 90 % interval"
    } else {
        "Matched operating points, with 90 % interval"
    };
    markup! {
        @if points.is_empty() {
            p { "No operating point is in both logs." }
        } @else {
            div class=(if alike { "pairs points" } else { "pairs points mixed" }) { (table(caption, &heads, rows.collect())) }
            (more_in(points.len(), printed.len(), "matched_points.csv"))
        }
    }
}

fn running(point: &MatchedPoint) -> Markup {
    markup! {
        (format::loads(&point.loads))
        @if let Some(band) = narrative::band(point.rpm_low, point.rpm_high) { " " span.range { (band) } }
    }
}

fn conditions(point: &MatchedPoint) -> Markup {
    let word = point.conditions.word();
    markup! {
        @if point.conditions == Conditions::Same { (word) } @else { strong { (word) } }
        @if !point.conditions_how.is_empty() { " " span.range { (plain(&point.conditions_how)) } }
    }
}

fn side(side: &PointSide) -> Markup {
    markup! {
        (measure(VOLT, &side.voltage_v))
        " " span.range {
            span class=(format!("state {}", side.state.word())) { (narrative::state(side)) }
            @if let Some(discharge) = narrative::discharge(side) { ", " (discharge) }
            "; " (narrative::place(side))
        }
    }
}

fn change(point: &MatchedPoint) -> Markup {
    let e = &point.change_v;
    markup! {
        span.value { (narrative::signed(VOLT, e)) }
        " " span.range { span.value { (VOLT.range(e)) }
            @if e.grade != Grade::Measured { ", " (e.grade.word()) } }
        " " span.range {
            (narrative::probability(point.test.p))
            @if let Some(carried) = point.gain_a.as_ref().and_then(narrative::carried) { "; carries " (carried) }
        }
    }
}

fn says(point: &MatchedPoint) -> Markup {
    let fair = narrative::says(point) == point.standing.words();
    let tone = match point.standing {
        PointOutcome::Better if fair => "reading good",
        PointOutcome::Worse if fair => "reading bad",
        _ => "reading open",
    };
    markup! { span class=(tone) { (narrative::says(point)) } }
}

fn steps(steps: &[MatchedStep], most: usize, explained: bool) -> Markup {
    let mut ranked: Vec<usize> = (0..steps.len()).collect();
    let size = |k: &usize| steps.get(*k).map_or(0.0, |s| s.sag_change_v.value.abs());
    ranked.sort_by(|a, b| size(b).total_cmp(&size(a)));
    ranked.truncate(most);
    let rows = steps.iter().enumerate().map(|(k, step)| {
        vec![
            kept_off_paper(switching(step), ranked.contains(&k)),
            sag(step, &step.before.sag_v),
            sag(step, &step.after.sag_v),
            sag(step, &step.sag_change_v),
            recovery(&step.before),
            recovery(&step.after),
        ]
    });
    let heads = [
        "Switched",
        "Sag before, V",
        "Sag after, V",
        "Change of sag, V",
        "Recovery before, s",
        "Recovery after, s",
    ];
    markup! {
        @if !steps.is_empty() {
            h3.off-paper { "The same load steps" }
            @if explained {
                p.off-paper { dfn { "Sag" } " is how far the voltage dips when a load comes on; where a load "
                    "goes off it rises, shown as +. " dfn { "Recovery" }
                    " is the time from the lowest voltage until it is back where it settles." }
            }
            (table("Matched load steps, with 90 % interval", &heads, rows.collect()))
            (more_in(steps.len(), ranked.len(), "matched_steps.csv"))
        }
    }
}

/// Where a load goes off the voltage rises, which is a sag below zero: shown as a rise.
fn sag(step: &MatchedStep, sag_v: &Estimate) -> Markup {
    match step.direction {
        Direction::On => measure(VOLT, sag_v),
        Direction::Off => {
            let rise_v = sag_v.negated();
            markup! { @if rise_v.value > 0.0 { "+" } (measure(VOLT, &rise_v)) }
        }
    }
}

fn switching(step: &MatchedStep) -> Markup {
    let direction = match step.direction {
        Direction::On => "on",
        Direction::Off => "off",
    };
    markup! {
        (plain(&step.load)) " " (direction)
        " " span.range {
            "loads on then: " (format::loads(&step.loads_after))
            "; step " (step.before.number) " before, " (step.after.number) " after"
        }
    }
}

fn recovery(side: &StepSide) -> Markup {
    match &side.recovery_s {
        Some(e) => measure(SECOND, e),
        None => markup! { span.range { "none seen" } },
    }
}

/// From which engine speed each set of loads is carried.
fn keep_up(items: &[MatchedKeepUp], most: usize) -> Markup {
    // Those that the earlier log was short with say most, many loads first.
    let mut ranked: Vec<usize> = (0..items.len()).collect();
    let rank = |k: &usize| {
        items
            .get(*k)
            .map(|item| (item.before.bound == Bound::BelowSeen, usize::MAX - item.loads.len()))
    };
    ranked.sort_by_key(rank);
    ranked.truncate(most);
    let rows = items.iter().enumerate().map(|(k, item)| {
        vec![
            kept_off_paper(text(format::loads(&item.loads)), ranked.contains(&k)),
            text(format::capital(&answer(&item.before))),
            text(format::capital(&answer(&item.after))),
        ]
    });
    markup! {
        @if !items.is_empty() {
            h3.off-paper { "Keep-up speed" }
            (table("Engine speed from which the setpoint is held, with 90 % interval",
                &["Loads on", "Before", "After"], rows.collect()))
            (more_in(items.len(), ranked.len(), Kind::Proof.marker()))
        }
    }
}

fn same_loads(after: &After) -> String {
    if after.same_loads.is_empty() {
        return "none is named in either log.".to_owned();
    }
    let told = after.same_loads.iter().map(|same| match &same.after {
        Some(name) if *name == same.before => plain(name),
        Some(name) => format!("{} is {} ({})", plain(&same.before), plain(name), plain(&same.how)),
        None => format!("{} has no match ({})", plain(&same.before), plain(&same.how)),
    });
    format!("{}.", told.collect::<Vec<_>>().join("; "))
}

fn unmatched(unmatched: &[Unmatched]) -> Markup {
    let drained = narrative::drained_alone(unmatched);
    let of = |log: When| unmatched.iter().filter(|u| u.of == log).count();
    let printed =
        |u: &Unmatched| drained.iter().take(PRINTED_UNMATCHED).any(|shown| std::ptr::eq(*shown, u));
    markup! {
        @if !unmatched.is_empty() {
            h3 { "Operating points that only one log contains" }
            p { (format::plural(of(When::Before), "operating point", "operating points"))
                " of the earlier log and " (of(When::After)) " of the later log are not used. "
                @match drained.len() {
                    0 => "At none of the earlier ones was the battery draining.",
                    1 => "At one of the earlier ones the battery was draining.",
                    n => (format!("At {} of the earlier ones the battery was draining.", format::count(n))),
                } }
            ul {
                @for u in unmatched {
                    li class=(if printed(u) { "drained" } else { "off-paper" }) {
                        (format::capital(u.of.word())) ", " span class=(format!("state {}", u.state.word())) { (u.state.label()) }
                        ": " (narrative::running(&u.loads, u.rpm_low, u.rpm_high, u.heat)) ", "
                        (format::duration(u.seconds)) ". " (format::capital(&plain(&u.why))) "."
                    }
                }
            }
        }
    }
}
