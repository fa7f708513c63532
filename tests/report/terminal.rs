//! The terminal summary.

use std::path::Path;

use crate::fixture;
use anstream::adapter::strip_str;
use stiffbus::report::terminal;
use unicode_width::UnicodeWidthStr;

#[test]
fn the_verdict_is_the_first_line_and_the_folder_the_last() {
    let text = terminal(&fixture::overload(), Some(Path::new("out/blue")), 80);
    let plain = strip_str(&text).to_string();
    assert!(plain.lines().next().unwrap().starts_with("FALLS SHORT AT IDLE"));
    assert!(plain.lines().nth(1).unwrap().starts_with("At hot idle"));
    assert!(plain.lines().last().unwrap().contains("report.html"));
    let place = |text: &str| plain.find(text).unwrap_or_else(|| panic!("no {text:?}"));
    assert!(place("fault   With fans") < place("caution The engine"));
    assert!(place("caution The engine") < place("note    The battery"));
    place("1 more finding");
    place("12.61 to 12.65");
    place("gives 14 A");
    place("9 to 20, inferred");
    place("short by 14 A");
    place("0.59 V (0.55 to 0.63)");
    place("8,123 rows read, 5 skipped, 3 bad cells, 1 gap");
    place("Ripple: 20 samples");
}

#[test]
fn lines_fit_the_width() {
    for (name, diagnosis) in fixture::all() {
        for width in [80, 100, 160] {
            let text = terminal(&diagnosis, None, width);
            for line in strip_str(&text).to_string().lines() {
                assert!(line.width() <= width, "{name} at {width}: {line:?}");
            }
        }
    }
}

#[test]
fn no_code_from_a_log_reaches_the_terminal() {
    let text = terminal(&fixture::hostile(), Some(Path::new("out/\u{1b}[2J")), 80);
    let mut rest = text.as_str();
    while let Some((before, after)) = rest.split_once('\u{1b}') {
        assert_eq!(before.chars().find(|c| c.is_control() && *c != '\n'), None);
        let (code, after) = after.split_once('m').unwrap();
        let ours = ["[0", "[1", "[2", "[31", "[32", "[33", "[36"];
        assert!(ours.contains(&code), "{code:?}");
        rest = after;
    }
    assert!(!text.contains("\u{1b}[31mred"));
    assert!(!text.contains(['\u{7}', '\u{0}', '\u{202e}', '\r', '\t']));
    assert!(text.contains("[31mred"));
}

#[test]
fn a_poor_log_still_gets_its_verdict() {
    let text = terminal(&fixture::minimal(), None, 80);
    let plain = strip_str(&text).to_string();
    assert!(plain.starts_with("CANNOT TELL"));
    assert!(plain.contains("no engine run was seen"));
    for bad in ["NaN", "None", "null"] {
        assert!(!plain.contains(bad), "{bad}");
    }
}
