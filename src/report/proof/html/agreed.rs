//! The criteria, what each log shows of them, and what is missing.

use maud::{Markup, html as markup};

use crate::comparison::{Comparison, Criterion, Reading};
use crate::report::format::{self, plain};
use crate::report::html::frame::table;
use crate::report::proof::narrative;

pub fn criteria(comparison: &Comparison) -> Markup {
    let several = comparison.afters.len() > 1;
    let mut heads = vec!["Criterion".to_owned(), "Before".to_owned()];
    if several {
        heads.extend(comparison.afters.iter().map(|a| format::capital(&plain(&a.side.name))));
        heads.push("All after".to_owned());
    } else {
        heads.push("After".to_owned());
    }
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    let rows = comparison.criteria.iter().map(|criterion| {
        let mut row = vec![
            markup! { (plain(&criterion.asked)) },
            read(criterion.before, &criterion.before_seen),
        ];
        if several {
            row.extend(comparison.afters.iter().map(|after| of_one(&after.criteria, criterion)));
            row.push(word(criterion.after));
        } else {
            row.push(read(criterion.after, &criterion.after_seen));
        }
        row
    });
    markup! {
        @if !comparison.criteria.is_empty() {
            section aria-labelledby="h-criteria" {
                h2 #h-criteria { (format::capital(narrative::criteria_name(comparison))) }
                (table("Each criterion as the logs show it, with 90 % interval", &heads, rows.collect()))
            }
        }
    }
}

fn of_one(criteria: &[Criterion], criterion: &Criterion) -> Markup {
    match criteria.iter().find(|other| other.id == criterion.id) {
        Some(own) => read(own.after, &own.after_seen),
        None => markup! {},
    }
}

fn read(reading: Reading, seen: &str) -> Markup {
    markup! { (word(reading)) " " span.range { (plain(seen)) } }
}

fn word(reading: Reading) -> Markup {
    let tone = match reading {
        Reading::Pass => "reading good",
        Reading::Fail => "reading bad",
        Reading::NotShown => "reading open",
    };
    markup! { span class=(tone) { span.value { (format::capital(reading.words())) } } }
}

pub fn missing(comparison: &Comparison) -> Markup {
    markup! {
        @if !comparison.missing.is_empty() {
            section aria-labelledby="h-missing" {
                h2 #h-missing { (narrative::missing_title(comparison.outcome)) }
                ul { @for item in &comparison.missing { li { (plain(item)) } } }
            }
        }
    }
}
