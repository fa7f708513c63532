//! Car by car, in the order of time: the same running seen again, and what changed
//! from log to log.

use maud::{Markup, html as markup};

use super::{MOST_NAME, log};
use crate::report::format::{self, VOLT, plain, plural};
use crate::report::html::frame::{estimate, plot, table};
use crate::report::lists::more;
use crate::report::review::narrative;
use crate::report::svg;
use crate::review::{CarDay, Review, Soak, SoakReading};

/// Bytes of the cars shown with picture and table, those with the worst logs; more make
/// the page slow. The first is always shown.
const MOST_BYTES: usize = 300_000;
/// Lines of text for cars beyond those.
const MOST_TOLD: usize = 60;
/// Curves described in words below a picture.
const MOST_CURVES: usize = 4;
/// Readings in the table of one car.
const MOST_READINGS: usize = 80;

pub fn cars(review: &Review) -> Markup {
    let (seen_again, single): (Vec<&CarDay>, Vec<&CarDay>) =
        review.cars.iter().partition(|car| !car.soak.is_empty());
    let mut shown: Vec<Markup> = Vec::new();
    let mut bytes = 0;
    for (number, car) in (1..).zip(&seen_again) {
        let day = day(review, car, number);
        bytes += day.0.len();
        if bytes > MOST_BYTES && number > 1 {
            break;
        }
        shown.push(day);
    }
    let others = seen_again.get(shown.len()..).unwrap_or(&[]);
    markup! {
        @for day in shown { (day) }
        @if !others.is_empty() {
            section aria-labelledby="h-others" {
                h2 #h-others { "Other cars over the day" }
                ul {
                    @for car in others.iter().take(MOST_TOLD) {
                        li { strong { (plain(&car.name)) } ": "
                            (plain(car.soak.first().map_or("", |soak| soak.told.as_str()))) }
                    }
                }
                @if let Some(rest) = more(others.len(), MOST_TOLD) {
                    p { (plural(rest, "more car is", "more cars are")) " listed in review.json." }
                }
            }
        }
        @if !single.is_empty() { (nothing_shared(&single)) }
    }
}

fn day(review: &Review, car: &CarDay, number: usize) -> Markup {
    let id = format!("h-car-{number}");
    markup! {
        section aria-labelledby=(id) {
            h2 id=(id) { "Over the day: " (plain(&car.name)) }
            p { (plural(car.rows.len(), "log", "logs")) ", put together " (car.grouped_by.words())
                ". Each line is the same loads in the same band of engine speed, in each later log: "
                "where it falls, heat or an aging part reduces the voltage. Where the setpoint falls with "
                "it, the cause is the regulator." }
            @for doubt in &car.doubts { p.warn { (plain(doubt)) } }
            @if let Some(svg) = svg::soak(review, car, number) {
                (plot(&svg, "wide"))
                @if let Some(narrow) = svg::soak_narrow(review, car, number) { (plot(&narrow, "narrow")) }
            }
            ul { @for soak in car.soak.iter().take(MOST_CURVES) { li { (plain(&soak.told)) } } }
            @if let Some(rest) = more(car.soak.len(), MOST_CURVES) {
                p { (plural(rest, "more repeated operating point is", "more repeated operating points are"))
                    " listed in review.json." }
            }
            @if let Some(soak) = car.soak.first() { (changes(review, soak)) }
        }
    }
}

/// The deepest curve, log by log.
fn changes(review: &Review, soak: &Soak) -> Markup {
    let kept = soak.readings.iter().take(MOST_READINGS);
    let rows: Vec<Vec<Markup>> = kept.map(|reading| line(review, reading)).collect();
    let loads = if soak.loads_logged {
        format::with_loads(&soak.loads)
    } else {
        "whatever was on".to_owned()
    };
    let band = format::rpm_band(soak.rpm_low, soak.rpm_high);
    let caption = format!(
        "From log to log, {loads}{}, with 90 % interval and grade",
        band.map_or_else(String::new, |band| format!(", {band} rpm"))
    );
    let heads = [
        "No.",
        "Log",
        "Speed and heat",
        "Bus voltage, V",
        "Change from the log before, V",
        "Under the setpoint, V",
        "State",
    ];
    markup! {
        (table(&caption, &heads, rows))
        @if let Some(rest) = more(soak.readings.len(), MOST_READINGS) {
            p { (plural(rest, "later reading is", "later readings are"))
                " not in this table; review.json and operating_points.csv have all of them." }
        }
    }
}

fn line(review: &Review, reading: &SoakReading) -> Vec<Markup> {
    let row = review.rows.iter().find(|row| row.log == reading.log);
    let started = reading.started.map(|at| at.format("%Y-%m-%d %H:%M").to_string());
    let state = format!("state {}", reading.state.word());
    vec![
        markup! { (reading.order) },
        markup! {
            @match row.and_then(|row| Some((row, row.summary()?))) {
                Some((row, summary)) => (log(row, summary)),
                None => (format::shorten(&reading.log, MOST_NAME)),
            }
            @if let Some(started) = started { " " span.range { (started) } }
        },
        markup! {
            (narrative::running(reading.rpm, None, None, reading.heat).unwrap_or_else(|| format::NOT_TOLD.to_owned()))
            " " span.range { (format::duration(reading.seconds)) }
        },
        estimate(VOLT, Some(&reading.voltage_v)),
        markup! {
            @match &reading.change_v {
                Some(change) => (estimate(VOLT, Some(change))),
                None => span.none { "the first" },
            }
        },
        estimate(VOLT, reading.under_setpoint_v.as_ref()),
        markup! { span class=(state) { (narrative::state(reading.state, reading.state_confidence)) } },
    ]
}

/// Cars of which no running was seen twice.
fn nothing_shared(cars: &[&CarDay]) -> Markup {
    let named: Vec<String> = cars.iter().take(MOST_TOLD).map(|car| plain(&car.name)).collect();
    let doubts: Vec<&String> = cars.iter().flat_map(|car| &car.doubts).take(MOST_TOLD).collect();
    markup! {
        section aria-labelledby="h-single" {
            h2 #h-single { "Nothing to compare" }
            p { "No two logs share the same loads in the same band of engine speed for: "
                (named.join(", "))
                @if let Some(rest) = more(cars.len(), MOST_TOLD) {
                    " and " (plural(rest, "more car", "more cars"))
                }
                "." }
            @for doubt in doubts { p.warn { (plain(doubt)) } }
        }
    }
}
