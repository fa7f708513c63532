//! The page that logs are dropped on: the reports there are, and, where a log does not
//! show by itself, what its columns mean.

use std::path::Path;

use maud::{Markup, html as markup};

use crate::diagnosis::Verdict;
use crate::report::format::{plain, plural, shown};
use crate::report::html::frame::{href, speaking};

const STYLE: &str = include_str!("serve/style.css");
const SCRIPT: &str = include_str!("serve/page.js");
/// Older ones are in the folder.
const MOST_LISTED: usize = 100;

/// What a person may say of a column: the word of its role, and what that is.
const ROLES: [(&str, &str); 17] = [
    ("", "as recognized"),
    ("time", "time"),
    ("voltage.battery", "bus voltage, at the battery"),
    ("voltage.alternator", "voltage at the alternator"),
    ("voltage.module", "voltage at a control module"),
    ("ground_drop", "voltage drop on the ground side"),
    ("engine_rpm", "engine speed"),
    ("alternator_rpm", "alternator speed"),
    ("load", "a load: on or off, or its duty"),
    ("battery_current", "battery current"),
    ("alternator_current", "alternator current"),
    ("temperature.alternator", "temperature at the alternator"),
    ("temperature.coolant", "coolant temperature"),
    ("temperature.intake", "intake air temperature"),
    ("temperature.ambient", "outside temperature"),
    ("note", "notes"),
    ("ignored", "nothing used here"),
];

/// A report in the folder.
pub struct ListedReport {
    pub folder: String,
    pub log: String,
    pub verdict: Verdict,
}

/// The way from the page to the report in `folder`.
pub fn link(folder: &str) -> String {
    href(&format!("reports/{folder}"))
}

/// The whole page; `home` is where the reports are.
pub fn html(standing: &[ListedReport], home: &Path) -> String {
    let body = markup! {
        header {
            h1 { "Drop a log here" }
            p.headline { "It is read on this computer, and nothing leaves it. The report goes to "
                span.file { (shown(home)) } "." }
        }
        main {
            section #drop aria-labelledby="h-drop" {
                h2 #h-drop { "The log" }
                p { label for="log" { "A CSV as any logger writes it, or several" } }
                input #log type="file" multiple accept=".csv,.txt,.tsv,.log,.dat,.asc,text/csv,text/plain";
                p #said role="status" aria-live="polite" { }
                noscript { p.warn { "This page uploads a log with a script, and scripts are off. "
                    "In a terminal, " code { "stiffbus LOG" } " makes the same report." } }
            }
            div #asked { }
            section aria-labelledby="h-stand" {
                h2 #h-stand { "Reports" }
                p #none hidden[!standing.is_empty()] { "None yet." }
                ul #reports { @for report in standing.iter().take(MOST_LISTED) { (line(report)) } }
                @if standing.len() > MOST_LISTED {
                    p { (plural(standing.len() - MOST_LISTED, "older report", "older reports"))
                        " in the folder." }
                }
            }
        }
        template #role {
            select {
                @for (word, meaning) in ROLES {
                    option value=(word) { (meaning) }
                }
            }
        }
    };
    speaking("Drop a log here", STYLE, SCRIPT, body).into_string()
}

fn line(report: &ListedReport) -> Markup {
    markup! {
        li {
            a href=(link(&report.folder)) { (plain(&report.folder)) }
            span.range { (plain(&report.log)) }
            span { (plain(&report.verdict.headline)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::ROLES;
    use crate::ingest::role_from_word;

    #[test]
    fn every_role_that_is_offered_is_one() {
        for (word, _) in ROLES.iter().filter(|(word, _)| !word.is_empty()) {
            assert!(role_from_word(word).is_some(), "{word}");
        }
    }
}
