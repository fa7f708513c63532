//! A log in which more happens than a page can tell: it stays of a size that opens.

use std::fmt::Write;
use std::path::Path;

use stiffbus::car::Car;
use stiffbus::diagnosis::Diagnosis;
use stiffbus::ingest::{self, ReadOptions};
use stiffbus::report::{html, svg};

use crate::fixture;

const MOST_PAGE: usize = 2_000_000;
const MOST_SVG: usize = 300_000;

const LOADS: usize = 12;

/// Twelve loads, on where `is_on` says so at a second; a gap every ten seconds and a long
/// note every second. Voltage hangs on how many are on alone.
fn busy(seconds: usize, is_on: impl Fn(usize, usize) -> bool) -> String {
    let mut text =
        "time (s),battery voltage (V),engine speed (rpm),coolant temperature (°C)".to_owned();
    for k in 0..LOADS {
        let _ = write!(text, ",pulsed load number {k} with a long name");
    }
    text.push_str(",note\n");
    for tenth in 0..10 * seconds {
        let at = tenth / 10;
        if at % 10 == 9 {
            continue;
        }
        let on = (0..LOADS).filter(|k| is_on(at, *k)).count();
        let volts = if on == 0 { 14.3 } else { 13.2 - 0.1 * on as f64 };
        let ripple = 0.01 * ((tenth * 7919) % 5) as f64;
        let rpm = 800 + 400 * ((at / 300) % 6);
        let warm = 40.0 + 50.0 * at as f64 / seconds as f64;
        let _ = write!(text, "{:.1},{:.2},{rpm},{warm:.1}", tenth as f64 / 10.0, volts + ripple);
        for k in 0..LOADS {
            text.push_str(if is_on(at, k) { ",1" } else { ",0" });
        }
        let note = if tenth % 10 == 0 {
            "the driver says <something> & more, ".repeat(4)
        } else {
            String::new()
        };
        let _ = writeln!(text, ",\"{note}\"");
    }
    text
}

fn examined(text: String) -> Diagnosis {
    let options = ReadOptions::default();
    let log = ingest::parse(Path::new("busy.csv"), text.into_bytes(), &options).expect("a log");
    stiffbus::diagnose(&log, &Car::default()).expect("a diagnosis")
}

fn opens(d: &Diagnosis) {
    let page = html(d);
    assert!(page.len() <= MOST_PAGE, "{} bytes of page", page.len());
    let pictures = [svg::trace(d), svg::trace_narrow(d)];
    let others = [svg::speed(d), svg::deficit(d), svg::heat(d), svg::speed_narrow(d)];
    for picture in pictures.into_iter().chain(others.into_iter().flatten()) {
        let name: String = picture.chars().take(90).collect();
        assert!(picture.len() <= MOST_SVG, "{} bytes of {name}", picture.len());
    }
}

#[test]
fn thousands_of_steps_gaps_and_notes_make_a_page_that_opens() {
    let d = examined(busy(12_000, |second, load| (second / 2) % (2 * LOADS) == load));
    let much = [d.load_steps.len(), d.source.gaps.len(), d.notes.len()];
    assert!(much.iter().all(|n| *n > 1000), "steps, gaps, notes: {much:?}");
    opens(&d);
}

#[test]
fn so_do_hundreds_of_sets_of_loads() {
    let d = examined(busy(16_000, |second, load| (second / 9) >> load & 1 == 1));
    let much = [d.operating_points.len(), d.keep_up.len(), d.heat.len()];
    assert!(d.operating_points.len() > 1000, "points, keep-up speeds, pairs: {much:?}");
    opens(&d);
}

/// A log that repeats all it says.
#[test]
fn so_does_whatever_else_is_told_in_a_list() {
    fn often<T: Clone>(items: &[T]) -> Vec<T> {
        items.iter().cycle().take(if items.is_empty() { 0 } else { 5000 }).cloned().collect()
    }
    let mut d = fixture::overload();
    d.keep_up = often(&d.keep_up);
    d.heat = often(&d.heat);
    d.line_drop = often(&d.line_drop);
    d.operating_points = often(&d.operating_points);
    d.columns = often(&d.columns);
    for finding in &mut d.findings {
        finding.evidence = often(&finding.evidence);
    }
    assert!(d.heat.len() + d.keep_up.len() == 10_000 && html(&d).contains("4,900 more in"));
    opens(&d);
}
