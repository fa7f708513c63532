//! Verdict, states and amps against charging systems that ngspice solved
//! (tests/outside/data/ngspice/README.md), read as logs without their currents.

use serde::Deserialize;
use stiffbus::car::Car;
use stiffbus::diagnose;
use stiffbus::diagnosis::{BusState, Severity, VerdictWord};
use stiffbus::ingest::{self, ReadOptions};

use crate::read;

#[derive(Debug, Deserialize)]
struct Trace {
    file: String,
    number: usize,
    kind: String,
}

/// What is true at a moment: seconds, battery amps, most amps, alternator amps.
struct Truth {
    t_s: f64,
    battery_a: f64,
    most_a: f64,
    alternator_a: f64,
}

impl Truth {
    fn is_limited(&self) -> bool {
        self.alternator_a > 0.995 * self.most_a
    }
}

/// The log without its true columns, and those.
fn parted(text: &str) -> (String, Vec<Truth>) {
    let mut log = String::new();
    let mut truth = Vec::new();
    for (row, line) in text.lines().enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let (seen, known) = cells.split_at(cells.len() - 3);
        log.push_str(&seen.join(","));
        log.push('\n');
        if row > 0 {
            let number = |cell: &str| cell.parse::<f64>().expect("a number");
            truth.push(Truth {
                t_s: number(seen[0]),
                battery_a: number(known[0]),
                most_a: number(known[1]),
                alternator_a: number(known[2]),
            });
        }
    }
    (log, truth)
}

#[derive(Debug, Default)]
struct Figures {
    wrong: Vec<String>,
    false_faults: Vec<String>,
    states: (usize, usize),
    deficits: (usize, usize),
    errors_a: Vec<f64>,
}

fn judged(of: impl Fn(usize) -> bool) -> Figures {
    let index: Vec<Trace> =
        serde_json::from_str(&read("data/ngspice/index.json")).expect("an index");
    let mut figures = Figures::default();
    for trace in index.iter().filter(|trace| of(trace.number)) {
        one(trace, &mut figures);
    }
    figures
}

fn one(trace: &Trace, figures: &mut Figures) {
    let (text, truth) = parted(&read(&format!("data/ngspice/{}", trace.file)));
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("log.csv");
    std::fs::write(&path, text).expect("a written log");
    let log = ingest::read(&path, &ReadOptions::default()).expect("a log");
    let said = diagnose(&log, &Car::default()).expect("a diagnosis");
    // The word that the currents call for: drained for more than a few seconds at speed too.
    let drained_s = |fast: bool| {
        let moments = truth.iter().filter(|t| t.most_a > 0.0 && t.battery_a < -1.0);
        let top_a = truth.iter().map(|t| t.most_a).fold(0.0, f64::max);
        moments.filter(|t| (t.most_a > 0.95 * top_a) == fast).count() as f64 / 5.0
    };
    use VerdictWord::*;
    let right: &[VerdictWord] = match (drained_s(true) > 8.0, drained_s(false) > 8.0) {
        (true, _) => &[FallsShort],
        (false, true) => &[FallsShortAtIdle],
        (false, false) => &[KeepsUp, LittleInReserve],
    };
    if !right.contains(&said.verdict.word) {
        figures.wrong.push(format!("{} ({}): {}", trace.file, trace.kind, said.verdict.headline));
    }
    let faults = said.findings.iter().filter(|f| f.severity == Severity::Fault);
    if right.contains(&KeepsUp) {
        figures.false_faults.extend(faults.map(|f| format!("{}: {}", trace.file, f.id)));
    }
    for point in &said.operating_points {
        let inside: Vec<&Truth> =
            truth.iter().filter(|t| point.spans.iter().any(|s| s.contains(t.t_s))).collect();
        if inside.is_empty() {
            continue;
        }
        let limited = inside.iter().filter(|t| t.is_limited()).count() * 2 > inside.len();
        let battery_a = inside.iter().map(|t| t.battery_a).sum::<f64>() / inside.len() as f64;
        let state = match (limited, battery_a < 0.0) {
            (_, true) => BusState::Draining,
            (true, false) => BusState::Limited,
            (false, false) => BusState::Holding,
        };
        figures.states.0 += usize::from(state == point.state);
        figures.states.1 += 1;
        if let Some(given) = point.battery_gives_a.as_ref().filter(|_| battery_a < -1.0) {
            figures.deficits.0 += usize::from(given.contains(-battery_a));
            figures.deficits.1 += 1;
            figures.errors_a.push(given.value + battery_a);
        }
    }
}

fn hold(name: &str, mut figures: Figures) {
    figures.errors_a.sort_by(f64::total_cmp);
    println!(
        "{name}: wrong {:?}; false faults {:?}; states {:?}; battery's amps covered {:?}, median error {:?} A",
        figures.wrong,
        figures.false_faults,
        figures.states,
        figures.deficits,
        figures.errors_a.get(figures.errors_a.len() / 2)
    );
    assert!(figures.wrong.len() <= 1, "{:?}", figures.wrong);
    assert!(figures.false_faults.is_empty(), "{:?}", figures.false_faults);
    assert!(100 * figures.states.0 >= 90 * figures.states.1, "{:?}", figures.states);
    assert!(100 * figures.deficits.0 >= 85 * figures.deficits.1, "{:?}", figures.deficits);
}

#[test]
fn circuits_that_were_looked_at() {
    hold("even", judged(|number| number.is_multiple_of(2)));
}

/// Nothing was chosen on these.
#[test]
fn circuits_that_were_not_looked_at() {
    hold("odd", judged(|number| !number.is_multiple_of(2)));
}
