//! The terminal summary.

use std::path::Path;

use crate::fixture;
use anstream::adapter::strip_str;
use stiffbus::estimate::Grade;
use stiffbus::report::terminal;
use unicode_width::UnicodeWidthStr;

#[test]
fn the_verdict_is_the_first_line_and_the_folder_the_last() {
    let text = terminal(&fixture::overload(), Some(Path::new("out/blue")), 80);
    let plain = strip_str(&text).to_string();
    assert!(plain.lines().next().unwrap().starts_with("FALLS SHORT AT IDLE"));
    assert!(plain.lines().nth(1).unwrap().starts_with("At idle with these loads on"));
    assert!(plain.lines().last().unwrap().contains("report.html"));
    let place = |text: &str| plain.find(text).unwrap_or_else(|| panic!("no {text:?}"));
    let order =
        ["At hot idle", "Cause    The alternator", "Test     1. All", "2. Repeat", "Bad if it"];
    assert!(order.windows(2).all(|pair| place(pair[0]) < place(pair[1])), "{plain}");
    assert!(place("Bad if it") < place("Caution  ") && place("Caution  ") < place("volts (90 %)"));
    assert!(place("Found    With fans") < place("The engine"));
    place("more findings in the report");
    place("12.63 (12.61 to 12.65)");
    place("drain 14 (9 to 20)");
    place("short 14 (9 to 20)");
    place("Amps inferred.");
    let flowing = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    for text in [
        "8,123 rows read, 5 skipped, 3 bad cells, 1 gap",
        "ripple; how the alternator holds up at speed under all loads.",
    ] {
        assert!(flowing.contains(text), "{text:?} in {flowing}");
    }
}

/// A screen of 80 columns and 40 lines, room for the prompt left.
#[test]
fn the_summary_fits_one_screen() {
    for (name, diagnosis) in fixture::all() {
        for width in [80, 120] {
            let text = terminal(&diagnosis, Some(Path::new("out/blue")), width);
            let shown = strip_str(&text).to_string();
            let lines = shown.lines().count();
            assert!(lines <= 40, "{name} at {width}: {lines} lines\n{shown}");
        }
    }
}

#[test]
fn grades_that_differ_stand_in_each_row() {
    let mut diagnosis = fixture::overload();
    let deficit = diagnosis.operating_points[3].implied_deficit_a.as_mut().unwrap();
    deficit.grade = Grade::Assumed;
    let plain = strip_str(&terminal(&diagnosis, None, 120)).to_string();
    assert!(plain.contains("drain 14 (9 to 20), assumed"));
    assert!(plain.contains("short 14 (9 to 20), inferred"));
}

#[test]
fn loads_that_only_the_voltage_shows_have_letters() {
    let mut diagnosis = fixture::overload();
    let (a, b) = ("load A (0.4 V drop at 41 s)", "load B (on until 80 s)");
    let c = "load C (0.2 V drop at 90 s)";
    let sets: [(&[&str], &str); 4] = [
        (&[a], "load A (0.4 V drop at 41 s) "),
        (&["lamps", a, b, c], "lamps + loads A, B and C "),
        (&["lamps", b], "lamps + load B (on until 80 s) "),
        (&[b, c], "load B (on until 80 s) + load C "),
    ];
    for (point, (loads, _)) in diagnosis.operating_points.iter_mut().zip(&sets) {
        point.loads = loads.iter().map(|l| (*l).to_owned()).collect();
    }
    let plain = strip_str(&terminal(&diagnosis, None, 120)).to_string();
    for (_, words) in sets {
        assert!(plain.contains(words), "{words:?} in {plain}");
    }
}

#[test]
fn a_narrow_interval_is_rounded_outward() {
    let mut diagnosis = fixture::overload();
    let e = &mut diagnosis.operating_points[3].voltage_v;
    (e.value, e.low, e.high) = (12.6331, 12.6312, 12.6348);
    let plain = strip_str(&terminal(&diagnosis, None, 120)).to_string();
    assert!(plain.contains("12.63 (12.63 to 12.64)"));
}

#[test]
fn lines_fit_the_width() {
    for (name, diagnosis) in fixture::all() {
        for width in [60, 80, 100, 160] {
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
