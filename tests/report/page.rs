//! `report.html`: self-contained, inert, complete.

use std::collections::HashSet;

use crate::fixture;
use stiffbus::diagnosis::VerdictWord;
use stiffbus::report;

/// The page without its style sheet.
fn body(page: &str) -> String {
    let (head, rest) = page.split_once("<style>").unwrap();
    let (_, rest) = rest.split_once("</style>").unwrap();
    format!("{head}{rest}")
}

/// What a reader sees: the page without its tags.
fn words(page: &str) -> String {
    let body = body(page);
    let mut words = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                words.push(' ');
            }
            c if !inside => words.push(c),
            _ => {}
        }
    }
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn names_from_a_log_stay_text() {
    let page = report::html(&fixture::hostile());
    let body = body(&page);
    for tag in ["<script", "<img", "<!--", "<iframe", "<a ", "<link"] {
        assert!(!body.to_lowercase().contains(tag), "{tag}");
    }
    assert!(body.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    // No attribute but our own: a handler would need one.
    assert!(!body.split('<').skip(1).any(|tag| {
        let tag = tag.split('>').next().unwrap_or("");
        tag.contains("onerror=") || tag.contains("onload=")
    }));
    let control = page.chars().find(|c| c.is_control() && *c != '\n');
    assert_eq!(control, None);
    assert!(!page.contains('\u{202e}'));
}

#[test]
fn fetches_nothing() {
    for (name, diagnosis) in fixture::all() {
        let page = report::html(&diagnosis);
        assert!(page.contains("Content-Security-Policy"), "{name}");
        assert!(page.contains("default-src 'none'"), "{name}");
        let rest = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for way in ["http:", "https:", "url(", "@import", "src=\"", "href="] {
            assert!(!rest.contains(way), "{name}: {way}");
        }
    }
}

#[test]
fn ids_are_unique_and_every_reference_holds() {
    for (name, diagnosis) in fixture::all() {
        let page = report::html(&diagnosis);
        let values = |key: &str| -> Vec<String> {
            page.split(key).skip(1).filter_map(|s| s.split('"').next()).map(Into::into).collect()
        };
        let ids = values(" id=\"");
        let unique: HashSet<&String> = ids.iter().collect();
        assert_eq!(unique.len(), ids.len(), "{name}");
        for reference in values("aria-labelledby=\"") {
            for id in reference.split(' ') {
                assert!(unique.contains(&id.to_owned()), "{name}: {id}");
            }
        }
    }
}

#[test]
fn unknown_things_are_said_in_words() {
    let seen = words(&report::html(&fixture::minimal()));
    assert!(seen.contains("Setpoint not told by this log"));
    assert!(seen.contains("Rest voltage not told by this log"));
    for (name, diagnosis) in fixture::all() {
        let seen = words(&report::html(&diagnosis));
        for bad in ["NaN", " null", "None", " inf ", "Some("] {
            assert!(!seen.contains(bad), "{name}: {bad}");
        }
    }
    let mut broken = fixture::overload();
    broken.operating_points[0].voltage_v.value = f64::NAN;
    broken.operating_points[0].voltage_v.low = f64::NEG_INFINITY;
    let seen = words(&report::html(&broken));
    assert!(!seen.contains("NaN") && !seen.contains("inf "));
    assert!(seen.contains("not told by this log no limit to 14.23 , measured"));
}

#[test]
fn the_verdict_stands_first_and_the_account_is_whole() {
    let diagnosis = fixture::overload();
    let seen = words(&report::html(&diagnosis));
    let place = |text: &str| seen.find(text).unwrap_or_else(|| panic!("no {text:?} in the page"));
    let verdict = place("Falls short at idle");
    let headline = place("the battery gives 14 A (9 to 20 A)");
    let fault = place("fault With fans and AC on");
    let caution = place("caution The engine control");
    let points = place("Operating points");
    assert!(verdict < headline && headline < fault && fault < caution && caution < points);
    // The three answers of the first screen.
    let lowest = place("Lowest steady voltage 12.63 V 12.61 to 12.65 V (90 %), measured");
    let amps = place("Amps short 14 A 9 to 20 A (90 %), inferred taken from the battery");
    let meaning = place("What it means Standing with these loads on");
    assert!(headline < lowest && lowest < amps && amps < meaning && meaning < fault);
    // Numbers with unit, interval and grade.
    place("12.63 V 12.61 to 12.65 , measured");
    place("14 A 9 to 20 , inferred");
    place("7.1 mΩ 4.9 to 10.3 , assumed");
    // The account of the file.
    place(&diagnosis.source.sha256);
    place("8,123 read, 5 skipped");
    place("repeated header 1 4001");
    place("771 VBAT “n/a?”");
    place("182.2 s to 186.9 s");
    place("2024-07-14 15:04:05");
    place("named for the battery, 12 to 14.3");
    place("Never disconnect the battery");
    place("Ripple: 20 samples a second");
    place("A slipping belt looks the same");
    place("AC on, windows up");
}

#[test]
fn a_charging_system_that_holds_is_said_to_be_not_draining() {
    let mut diagnosis = fixture::overload();
    diagnosis.verdict.word = VerdictWord::KeepsUp;
    diagnosis.verdict.headline = "Keeps up: all is well.".into();
    diagnosis.operating_points.truncate(1);
    let seen = words(&report::html(&diagnosis));
    assert!(seen.contains("Amps short Battery not draining No amps short"));
    // The headline does not say the verdict a second time.
    assert!(seen.contains("Keeps up All is well."));
    // A fault found besides is not hidden by it.
    assert!(seen.contains("The findings below call for work all the same."));
    diagnosis.verdict.word = VerdictWord::Overcharges;
    assert!(words(&report::html(&diagnosis)).contains("Highest steady voltage 14.21 V"));
}

#[test]
fn heads_of_tables_say_what_they_head() {
    let page = report::html(&fixture::overload());
    let heads = page.matches("<th").count() - page.matches("<thead").count();
    let scoped = page.matches("<th scope=\"").count();
    assert!(scoped > 50);
    assert_eq!(heads, scoped);
    for landmark in ["<header>", "<main>", "<footer>", "lang=\"en\""] {
        assert_eq!(page.matches(landmark).count(), 1, "{landmark}");
    }
}
