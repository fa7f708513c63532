//! Each cause on simulated cars: random ones, one fault each. The confusion
//! table (`--nocapture`) shows in how many logs of each fault each finding is
//! raised.

#[path = "../support/random_car.rs"]
mod random_car;

mod faults;
mod lines;
mod warming;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use faults::{FAULTS, Fault};
use stiffbus::car::Car;
use stiffbus::diagnosis::{Diagnosis, Finding, Severity};

const LOGS: u64 = 10;

struct Log {
    fault: Fault,
    seed: u64,
    /// The error, where nothing could be diagnosed.
    said: Result<Diagnosis, String>,
}

impl Log {
    fn findings(&self) -> &[Finding] {
        self.said.as_ref().map_or(&[], |d| &d.findings)
    }

    fn raises(&self, id: &str) -> bool {
        self.findings().iter().any(|f| f.id == id)
    }
}

fn logs() -> &'static [Log] {
    static LOGS_ONCE: OnceLock<Vec<Log>> = OnceLock::new();
    LOGS_ONCE.get_or_init(|| {
        let jobs: Vec<(Fault, u64)> = FAULTS
            .iter()
            .enumerate()
            .flat_map(|(k, &fault)| (0..LOGS).map(move |n| (fault, 5000 + 100 * k as u64 + n)))
            .collect();
        let halves = std::thread::scope(|scope| {
            let (first, second) = jobs.split_at(jobs.len() / 2);
            let run = |jobs: &[(Fault, u64)]| jobs.iter().map(|&(f, s)| log(f, s)).collect();
            let first = scope.spawn(move || -> Vec<Log> { run(first) });
            let second: Vec<Log> = run(second);
            (first.join().expect("no panic"), second)
        });
        halves.0.into_iter().chain(halves.1).collect()
    })
}

fn log(fault: Fault, seed: u64) -> Log {
    log_of(fault, seed, &Car::default())
}

fn log_of(fault: Fault, seed: u64, car: &Car) -> Log {
    let case = faults::case(fault, seed);
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("log.csv");
    std::fs::write(&path, case.simulated.bytes()).expect("the test's own file");
    let read = stiffbus::ingest::read(&path, &Default::default());
    let log = read.unwrap_or_else(|e| panic!("{} {seed}: {e}", fault.name()));
    let said = stiffbus::diagnose(&log, car).map_err(|e| e.to_string());
    Log { fault, seed, said }
}

fn of(fault: Fault) -> impl Iterator<Item = &'static Log> {
    logs().iter().filter(move |log| log.fault == fault)
}

fn raised(fault: Fault, id: &str) -> usize {
    of(fault).filter(|log| log.raises(id)).count()
}

#[test]
fn the_confusion_table() {
    let mut ids: BTreeMap<&str, usize> = BTreeMap::new();
    for finding in logs().iter().flat_map(Log::findings) {
        *ids.entry(&finding.id).or_default() += 1;
    }
    println!("findings raised in {LOGS} logs of each fault");
    for (number, id) in ids.keys().enumerate() {
        println!("  {number:2}  {id}");
    }
    let heads: String = (0..ids.len()).map(|number| format!("{number:4}")).collect();
    println!("{:32}{heads}  none told", "");
    for fault in FAULTS {
        let row: String = ids.keys().map(|id| format!("{:4}", raised(fault, id))).collect();
        let refused = of(fault).filter(|log| log.said.is_err()).count();
        println!("{:32}{row}  {refused}", fault.name());
    }
    for log in logs().iter().filter(|log| log.fault.finding().is_some_and(|id| !log.raises(id))) {
        let said = match &log.said {
            Ok(d) => d.verdict.headline.clone(),
            Err(error) => error.clone(),
        };
        let ids: Vec<&str> = log.findings().iter().map(|f| f.id.as_str()).collect();
        println!("missed: {} {}: {ids:?} {said}", log.fault.name(), log.seed);
    }
}

#[test]
fn no_healthy_log_shows_a_fault() {
    for log in of(Fault::Healthy).chain(of(Fault::HealthyTapped)) {
        let faults: Vec<&Finding> =
            log.findings().iter().filter(|f| f.severity == Severity::Fault).collect();
        assert!(faults.is_empty(), "seed {}: {faults:?}", log.seed);
    }
}

/// Most: at least two logs in three.
#[test]
#[ignore = "open: weak output is named in 6 of 10 logs of one tap since it needs proof"]
fn each_fault_is_named_in_most_of_its_logs() {
    for fault in FAULTS {
        let Some(id) = fault.finding() else { continue };
        let found = raised(fault, id);
        println!("{}: {id} in {found} of {LOGS}", fault.name());
        assert!(3 * found >= 2 * LOGS as usize, "{}: {id} in {found} of {LOGS}", fault.name());
    }
}

/// A cause must not be cried everywhere: ten logs at least, healthy or with
/// another fault, do not raise it; and nine in ten of them do not. Left out are
/// the pairs that no such log can tell apart ([`Fault::looks_like`]).
#[test]
fn each_cause_is_raised_where_it_is_and_seldom_elsewhere() {
    for fault in FAULTS {
        let Some(id) = fault.finding() else { continue };
        let others = || {
            let without = |log: &&Log| log.fault.finding() != Some(id);
            logs().iter().filter(without).filter(|log| !log.fault.looks_like(id))
        };
        let silent = others().filter(|log| !log.raises(id)).count();
        let cried = others().count() - silent;
        println!("{id}: raised in {cried} of {} logs without its fault", others().count());
        assert!(silent >= 10, "{id}: only {silent} logs without it");
        assert!(10 * cried <= others().count(), "{id}: cried in {cried} logs without it");
    }
}

/// Every finding says when, unless it is about the whole car; and how to test it.
#[test]
fn findings_have_times_alternatives_and_a_test() {
    for finding in logs().iter().flat_map(Log::findings) {
        assert!(!finding.evidence.is_empty(), "{finding:?}");
        assert!(finding.next_test.len() > 40, "{finding:?}");
        let noted = finding.severity > Severity::Note;
        // The log itself has ruled out all but one cause.
        let is_certain = finding.cause.contains("own post holds");
        assert!(!noted || is_certain || !finding.alternatives.is_empty(), "{finding:?}");
        // A typographic minus, and no interval of no width.
        for text in finding.evidence.iter().map(|e| &e.text).chain([&finding.statement]) {
            assert!(!text.contains(" -") && !text.contains("(-"), "{text}");
        }
    }
}
