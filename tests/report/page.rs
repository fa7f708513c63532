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

/// The text of the scripts of a page, and the page without them.
fn scripts(page: &str) -> (Vec<String>, String) {
    let (mut scripts, mut rest) = (Vec::new(), String::new());
    let mut parts = page.split("<script");
    rest.push_str(parts.next().unwrap());
    for part in parts {
        let (script, after) = part.split_once("</script>").unwrap();
        scripts.push(script.split_once('>').unwrap().1.to_owned());
        rest.push_str(after);
    }
    (scripts, rest)
}

/// What a reader sees: the page without its tags.
fn words(page: &str) -> String {
    let body = body(&scripts(page).1);
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
    // The data of the picture and what draws it, and nothing else.
    let (scripts, rest) = scripts(&page);
    assert_eq!(scripts.len(), 2);
    let data: serde_json::Value = serde_json::from_str(&scripts[0]).unwrap();
    let name = data["channels"][0]["name"].as_str().unwrap();
    assert!(name.contains("<script>alert(1)</script>"), "{name}");
    assert!(!scripts[0].contains(['<', '>']) && !scripts[1].contains("alert"));
    let body = body(&rest);
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
        let (scripts, rest) = scripts(&page);
        let rest = rest.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        let script =
            scripts.last().map_or(String::new(), |s| s.replace("'http://www.w3.org/2000/svg'", ""));
        for way in
            ["http", "fetch", "XMLHttpRequest", "WebSocket", "import(", "eval", ".src", "innerHTML"]
        {
            assert!(!script.contains(way), "{name}: {way}");
        }
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
    assert!(seen.contains("Setpoint: the voltage the regulator holds when it can not in this log"));
    assert!(seen.contains("Rest voltage: the battery with no current flowing not in this log"));
    assert!(seen.contains("What to do Whether the alternator keeps up: no engine run was seen."));
    assert!(seen.contains("Columns as read: ") && seen.contains("--column ROLE=NAME"));
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
    assert!(seen.contains("not in this log no limit to 14.23 , measured"));
}

#[test]
fn the_verdict_stands_first_and_the_account_is_whole() {
    let diagnosis = fixture::overload();
    let seen = words(&report::html(&diagnosis));
    let place = |text: &str| seen.find(text).unwrap_or_else(|| panic!("no {text:?} in the page"));
    let verdict = place("Falls short at idle");
    let meaning = place("At idle with these loads on, the battery discharges.");
    // The three numbers of the first screen.
    let lowest = place("Lowest steady voltage 12.63 V (12.61 to 12.65, measured)");
    let amps = place("Battery discharge 14 A (9 to 20, inferred)");
    let keep_up = place("Keep-up speed 1750 rpm");
    // Then the cause with its test, the picture, why, the tables, and how the log was read.
    let cause = place("Most likely cause The alternator makes too little at idle.");
    let test = place("Test this next All loads on, hot idle");
    let limit = place("Bad if it makes under 45 A");
    let picture = place("How to read this picture");
    let fault = place("fault With fans and AC on");
    let caution = place("caution The engine control");
    let safety = place("Before you work on the car");
    let points = place("Operating points");
    let data = place("The data and how it was read");
    let order = [
        verdict, meaning, lowest, amps, keep_up, cause, test, limit, picture, fault, caution,
        safety, points, data,
    ];
    assert!(order.is_sorted(), "{order:?}");
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
    assert!(seen.contains("The battery stays charged."));
    // The headline does not say the verdict a second time.
    assert!(
        seen.contains("Keeps up The alternator carries every load")
            && seen.contains(" All is well.")
    );
    // A fault found besides is not hidden by it.
    assert!(seen.contains("But something else needs attention."));
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
