//! Reviews of logs that never were, of any length: same arguments, same review.
#![allow(dead_code)] // Each test binary uses its own part.

use chrono::{NaiveDate, TimeDelta};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use stiffbus::diagnosis::{Bound, BusState, Heat, Severity, VerdictWord};
use stiffbus::estimate::{Estimate, Grade};
use stiffbus::review::{
    Failure, FindingMark, GroupedBy, HeatLoss, KeepUpSpeed, LeftOut, LogResult, LowestHeld,
    Quality, Review, Reviewed, Sketch, SoakPoint, Summary, WorstPoint, review,
};

/// Text that must stay text wherever it is shown.
pub const HOSTILE: &str = "</script><script>document.title='owned'</script>\u{1b}[31m\"'=1+1 & #?%";

/// `logs` logs of `cars` cars, every seventeenth broken; a tenth of the cars keep up.
pub fn day(logs: usize, cars: usize) -> Review {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let all = (0..logs).map(|k| {
        let car = k % cars.max(1);
        reviewed(&mut rng, k, car, &format!("car-{:03}", car + 1))
    });
    let left_out = LeftOut {
        reason: "no log by its ending".into(),
        count: 2,
        first: vec!["notes.pdf".into(), "photo.jpg".into()],
    };
    review(all.collect(), vec![left_out])
}

/// A day on which every text that comes from outside is [`HOSTILE`].
pub fn hostile() -> Review {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let mut all: Vec<Reviewed> = (0..3).map(|k| reviewed(&mut rng, k, 0, HOSTILE)).collect();
    for (k, log) in all.iter_mut().enumerate() {
        log.log = format!("{HOSTILE}{k}.csv");
        let LogResult::Read(summary) = &mut log.result else { continue };
        summary.report = format!("reports/{HOSTILE}{k}");
        summary.headline = HOSTILE.into();
        summary.findings[0].id = HOSTILE.into();
        summary.quality.remarks.push(HOSTILE.into());
        for loads in [
            summary.worst.as_mut().map(|w| &mut w.loads),
            summary.lowest.as_mut().map(|l| &mut l.loads),
        ]
        .into_iter()
        .flatten()
        {
            *loads = vec![HOSTILE.into()];
        }
        summary.points.iter_mut().for_each(|p| p.loads = vec![HOSTILE.into()]);
    }
    all.push(Reviewed {
        log: format!("broken {HOSTILE}"),
        car: HOSTILE.into(),
        grouped_by: GroupedBy::Folder,
        started: None,
        result: failed(&format!("line 3 holds {HOSTILE}\nand more")),
    });
    review(all, Vec::new())
}

fn failed(reason: &str) -> LogResult {
    LogResult::Failed(Failure { reason: reason.to_owned(), our_fault: false })
}

fn reviewed(rng: &mut ChaCha8Rng, k: usize, car: usize, name: &str) -> Reviewed {
    let round = k / 12;
    let day = NaiveDate::from_ymd_opt(2031, 5, 3).and_then(|d| d.and_hms_opt(8, 0, 0));
    let started = day.map(|t| t + TimeDelta::minutes(7 * k as i64));
    let result = if k % 17 == 16 {
        failed(
            "line 14, column 2: 'ÿØÿà' is no number; the file ends in rubbish from there. Log again.",
        )
    } else {
        LogResult::Read(Box::new(summary(rng, k, car, round)))
    };
    Reviewed {
        log: format!("{name}/run-{}.csv", k + 1),
        car: name.to_owned(),
        grouped_by: GroupedBy::Folder,
        started: started.filter(|_| k % 17 != 16),
        result,
    }
}

fn summary(rng: &mut ChaCha8Rng, k: usize, car: usize, round: usize) -> Summary {
    let good = car % 10 == 9;
    let setpoint = 14.1 - 0.002 * k.min(60) as f64 + 0.02 * rng.random_range(-1.0..1.0);
    let sag =
        if good { 0.05 } else { 1.0 + 0.03 * round.min(30) as f64 + rng.random_range(0.0..0.7) };
    let heat = [Heat::Cold, Heat::Warm, Heat::Hot][k.min(2)];
    let state = if good { BusState::Holding } else { BusState::Draining };
    let volts = measured(setpoint - sag, 0.02);
    let amps = if good {
        estimate(0.0, 0.0, 0.0, Grade::Measured)
    } else {
        let a = 8.0 * sag + rng.random_range(0.0..6.0);
        estimate(
            a,
            0.6 * a,
            1.5 * a,
            if k.is_multiple_of(2) { Grade::Inferred } else { Grade::Assumed },
        )
    };
    let loads = vec!["fan".to_owned(), "AC and blower".to_owned()];
    let under = measured(sag, 0.03);
    let finding = |id: &str, severity| FindingMark {
        id: id.into(),
        severity,
        statement: format!("invented: {id}"),
    };
    let rpm = 780.0 + rng.random_range(0.0..120.0);
    let worst = WorstPoint {
        loads: loads.clone(),
        rpm_low: Some(0.0),
        rpm_high: Some(1100.0),
        rpm: Some(rpm),
        heat,
        voltage_v: volts.clone(),
        under_setpoint_v: Some(under.clone()),
        state,
        state_confidence: if k % 5 == 3 { 0.7 } else { 0.99 },
        implied_deficit_a: (!good).then(|| amps.clone()),
        seconds: 22.0,
        at_s: 12.0,
    };
    let point = |loads: Vec<String>, volts: Estimate, state| SoakPoint {
        loads,
        loads_logged: true,
        rpm_low: Some(0.0),
        rpm_high: Some(1100.0),
        rpm: Some(rpm),
        heat,
        at_s: 12.0,
        seconds: 22.0,
        voltage_v: volts,
        under_setpoint_v: Some(under.clone()),
        state,
        state_confidence: 0.95,
    };
    Summary {
        sha256: format!("{k:064x}"),
        report: format!("logs/car-{:03}/run-{}", car + 1, k + 1),
        rows_read: 20_000 + k,
        rows_skipped: k % 4,
        duration_s: 84.0 + (k % 90) as f64,
        verdict: match (good, k % 3) {
            (true, _) => VerdictWord::KeepsUp,
            (false, 0) => VerdictWord::FallsShort,
            _ => VerdictWord::FallsShortAtIdle,
        },
        headline: "Invented.".into(),
        setpoint_v: Some(measured(setpoint, 0.03)),
        lowest: Some(LowestHeld {
            voltage_v: volts.clone(),
            loads: loads.clone(),
            rpm_low: Some(0.0),
            rpm_high: Some(1100.0),
            rpm: Some(rpm),
            heat,
            at_s: 12.0,
            seconds: 22.0,
        }),
        worst: Some(worst),
        deficit_a: Some(amps),
        keep_up: Some(KeepUpSpeed {
            loads: loads.clone(),
            rpm: (!good).then(|| estimate(1400.0 + 40.0 * sag, 1290.0, 1620.0, Grade::Inferred)),
            bound: if good { Bound::BelowSeen } else { Bound::Within },
            seen_low_rpm: 790.0,
            seen_high_rpm: 5480.0,
            told: String::new(),
        }),
        heat_loss: (!good).then(|| HeatLoss {
            loads: loads.clone(),
            rpm_low: Some(0.0),
            rpm_high: Some(1100.0),
            lost_v: measured(0.05 * sag, 0.02),
            lost_per_minute_v: None,
            told: String::new(),
        }),
        findings: if good {
            Vec::new()
        } else {
            let mut all = vec![finding("short-at-idle", Severity::Fault)];
            if k.is_multiple_of(2) {
                all.push(finding("heat-fade", Severity::Caution));
            }
            if k.is_multiple_of(3) {
                all.push(finding("setpoint-low", Severity::Note));
            }
            all
        },
        quality: Quality {
            remarks: if k.is_multiple_of(4) {
                Vec::new()
            } else {
                vec![format!("{} rows skipped", k % 4)]
            },
            bad_cells: 0,
            gaps: 0,
            gaps_s: 0.0,
            sample_interval_s: 0.1,
            resolution_v: Some(0.01),
            missing: Vec::new(),
            columns: vec!["battery voltage".into(), "engine rpm".into(), "fan".into()],
        },
        sketch: sketch(rng, setpoint, sag, !good),
        points: vec![
            point(Vec::new(), measured(setpoint - 0.1 * sag, 0.03), BusState::Holding),
            point(loads, volts, state),
        ],
    }
}

/// Idle, a load on from a tenth to two fifths of the log, a pull through the speeds.
fn sketch(rng: &mut ChaCha8Rng, setpoint: f64, sag: f64, drains: bool) -> Sketch {
    let columns = Sketch::MOST_COLUMNS;
    let mut sketch = Sketch { duration_s: 84.0, ..Sketch::default() };
    for k in 0..columns {
        let loaded = (columns / 10..columns * 2 / 5).contains(&k);
        let noise = 0.03 * rng.random_range(0.2..1.0);
        let volts = setpoint - if loaded { sag } else { 0.1 * sag };
        sketch.low_v.push(Some(((volts - noise) * 1000.0).round() / 1000.0));
        sketch.high_v.push(Some(((volts + noise) * 1000.0).round() / 1000.0));
        sketch.state.push(Some(match (loaded, drains) {
            (true, true) => BusState::Draining,
            _ => BusState::Holding,
        }));
    }
    sketch
}

fn measured(value: f64, half_width: f64) -> Estimate {
    Estimate::around(value, half_width, Grade::Measured, "mean of steady samples")
}

fn estimate(value: f64, low: f64, high: f64, grade: Grade) -> Estimate {
    Estimate::new(value, low, high, grade, "invented")
}
