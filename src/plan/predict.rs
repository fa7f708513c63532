//! Every alternator replayed through the log by every car of the ensemble, and what they
//! agree on.

use crate::car::Car;
use crate::diagnosis::{BusState, Diagnosis, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::levels;
use crate::log::Log;
use crate::nominal::Nominal;
use crate::physics::alternator::Derating;
use crate::physics::machine::Machine;
use crate::plan::calibrate::PosteriorEnsemble;
use crate::plan::contract::*;
use crate::plan::load_budget::Item;
use crate::plan::margin::{capacity, keep_up, margin, mean_over, spread};
use crate::plan::replay::{CarSample, Replay, replay};
use crate::plan::scene::Scene;
use crate::plan::sets::{LoadSet, sets};
use crate::plan::sweep::{SURE, ratios};
use crate::plan::{Asked, Candidate, narrative, wiring};
use crate::segment::Segments;
use crate::stats::robust::median;

/// Less from the battery than this is no draining: half a clamp meter's zero error.
const DRAINING_A: f64 = 0.5;
/// Between towns (common practice, no source).
const CRUISE_RPM: f64 = 2500.0;
/// Buckets of the replayed trace in the picture.
const MOST_BUCKETS: usize = 700;

/// What the whole ensemble did with one alternator.
struct Played {
    machines: Vec<Machine>,
    replays: Vec<Replay>,
}

#[allow(clippy::too_many_arguments)] // The whole of what is known goes in.
pub fn plan(
    log: &Log,
    segments: &Segments,
    car: &Car,
    diagnosis: &Diagnosis,
    asked: &Asked,
    ledger: &[Item],
    scene: &Scene,
    fleet: &PosteriorEnsemble,
) -> Plan {
    let trials = &fleet.trials;
    let sets = sets(diagnosis, scene, ledger);
    let present = play(scene, trials, |trial| trial.machine.clone());
    let nominal = log.nominal();
    let reproduction = reproduction(scene, &present, fleet, nominal);
    let present_name = car.alternator.rated_a.map_or("current alternator".to_owned(), |rated| {
        format!("current {rated:.0} A alternator")
    });
    let grade = known(ledger, fleet);
    let study = Study { diagnosis, scene, trials, grade, sets: &sets, asked };
    let as_is = study.proposal(present_name, None, None, &present);
    let played = |(_, candidate, ratio): &(String, Candidate, Option<f64>)| {
        play(scene, trials, |trial| fitted(candidate, *ratio, trial))
    };
    let mut judged: Vec<_> = asked
        .candidates
        .iter()
        .flat_map(|candidate| geared(candidate, asked))
        .map(|way| (study.proposal(way.0.clone(), Some(&way.1), way.2, &played(&way)), way))
        .collect();
    judged.sort_by(|(a, _), (b, _)| narrative::rank(a).total_cmp(&narrative::rank(b)));
    // Replays are large, and only those of the best candidate are used again.
    let best = judged.first().map(|(proposal, way)| (proposal, played(way)));
    let best_band = best.as_ref().map(|(proposal, played)| NamedBand {
        name: proposal.name.clone(),
        band: band(scene, &played.replays),
    });
    let wiring = best.as_ref().and_then(|(proposal, played)| {
        let flows_a = flows(&played.replays, scene, &diagnosis.operating_points);
        wiring::wiring(&proposal.name, &flows_a, &proposal.most_a, asked, nominal)
    });
    let candidates: Vec<Proposal> = judged.iter().map(|(proposal, _)| proposal.clone()).collect();
    let mend = narrative::mended_first(&diagnosis.findings);
    let (continuous_a, intermittent_a) = totals(ledger, trials, &sets, nominal);
    Plan {
        schema: SCHEMA.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        source: log.source.clone(),
        verdict: diagnosis.verdict.clone(),
        headline: narrative::headline(&as_is, &candidates, diagnosis.verdict.word, mend.as_deref()),
        assumed: narrative::assumed(log, segments, car, ledger, fleet, &sets, asked),
        ledger: entries(ledger, trials, &sets, nominal),
        continuous_a,
        intermittent_a,
        present: as_is,
        wiring,
        cautions: diagnosis.cautions.clone(),
        replay: ReplayPicture {
            logged: diagnosis.picture.voltage.clone(),
            present: band(scene, &present.replays),
            best: best_band,
        },
        candidates,
        reproduction,
        units: Default::default(),
    }
}

/// A candidate on its own pulleys, or on each that is asked about.
fn geared(candidate: &Candidate, asked: &Asked) -> Vec<(String, Candidate, Option<f64>)> {
    let mut ways = Vec::new();
    if candidate.ratio.is_some() || asked.pulleys.is_empty() {
        ways.push((candidate.name.clone(), candidate.clone(), candidate.ratio));
    }
    for (words, ratio) in &asked.pulleys {
        ways.push((format!("{} on {words}", candidate.name), candidate.clone(), Some(*ratio)));
    }
    ways
}

fn fitted(candidate: &Candidate, ratio: Option<f64>, trial: &CarSample) -> Machine {
    Machine {
        curve: candidate.sheet.curve.clone(),
        test_v: candidate.sheet.tested_v(trial.nominal()).value,
        test_c: candidate.sheet.test_c.value,
        ratio: ratio.unwrap_or(trial.ratio),
        share: trial.new_share,
        derating: Derating { cold_c: 25.0, soaked_c: 110.0, lost_share: trial.lost_share },
        flux_exponent: trial.flux_exponent,
    }
}

fn play(scene: &Scene, trials: &[CarSample], machine: impl Fn(&CarSample) -> Machine) -> Played {
    let machines: Vec<Machine> = trials.iter().map(machine).collect();
    let replays = trials
        .iter()
        .zip(&machines)
        .map(|(trial, machine)| replay(scene, trial, machine))
        .collect();
    Played { machines, replays }
}

/// Inferred where every load is stated or the log shows the alternator at full output
/// on a curve that is.
fn known(ledger: &[Item], fleet: &PosteriorEnsemble) -> Grade {
    let stated = ledger.iter().all(|item| item.stated);
    let tied = fleet.full > 0 && fleet.has_curve && fleet.has_ratio;
    if stated || tied { Grade::Inferred } else { Grade::Assumed }
}

struct Study<'a> {
    diagnosis: &'a Diagnosis,
    scene: &'a Scene,
    trials: &'a [CarSample],
    /// How well what the loads need is known.
    grade: Grade,
    sets: &'a [LoadSet],
    asked: &'a Asked,
}

impl Study<'_> {
    fn proposal(
        &self,
        name: String,
        candidate: Option<&Candidate>,
        stated_ratio: Option<f64>,
        played: &Played,
    ) -> Proposal {
        let Study { diagnosis, scene, trials, grade, sets, asked } = *self;
        let (machines, ends) = (&played.machines, &played.replays);
        let margins: Vec<Margin> =
            sets.iter().map(|set| margin(trials, machines, ends, set, grade)).collect();
        let all: Vec<f64> = machines.iter().map(|m| m.ratio).collect();
        let ratio = spread(&all, Grade::Assumed, "current pulleys, or common ones");
        let ratio = match stated_ratio {
            Some(stated) => Estimate::around(stated, 0.0, Grade::Inferred, "stated"),
            None => ratio,
        };
        let idle_rpm = median(&sets.iter().map(|set| set.engine_rpm).collect::<Vec<_>>());
        let speeds = Speeds {
            at_idle_rpm: turned(&ratio, idle_rpm),
            at_cruise_rpm: turned(&ratio, CRUISE_RPM),
            at_redline_rpm: turned(&ratio, asked.redline_rpm),
            limit_rpm: asked.limit_rpm,
            idle_rpm,
            cruise_rpm: CRUISE_RPM,
            redline_rpm: asked.redline_rpm,
        };
        let standing = standing(&margins, &speeds);
        let set = sets.first();
        let top_rpm = asked.redline_rpm.min(4000.0);
        let curves = machines.first().map(|m| m.curve.speeds_rpm());
        let most_a = spread(
            &machines
                .iter()
                .map(|m| m.share * m.curve.output(m.curve.speeds_rpm().1).amps_a)
                .collect::<Vec<_>>(),
            Grade::Assumed,
            "the sheet's last point",
        );
        Proposal {
            sheet: candidate.map(|c| c.sheet.file.clone()),
            why: narrative::why(standing, &margins, &speeds),
            keep_up: sets.iter().map(|set| keep_up(trials, machines, ends, set)).collect(),
            ratios: candidate.and_then(|_| ratios(trials, machines, ends, sets, asked)),
            points: diagnosis
                .operating_points
                .iter()
                .map(|point| {
                    let replayed =
                        predicted(point, scene, trials, ends, diagnosis.source.nominal_v);
                    if candidate.is_some() { replayed } else { as_diagnosed(replayed, point) }
                })
                .collect(),
            beyond_sheet: curves.and_then(|curve| narrative::beyond_sheet(curve, &speeds)),
            capacity: set.map_or(Vec::new(), |set| capacity(trials, machines, set, top_rpm)),
            most_a,
            name,
            ratio,
            standing,
            margins,
            speeds,
        }
    }
}

/// Alternator speed at an engine speed.
fn turned(ratio: &Estimate, engine_rpm: f64) -> Estimate {
    let Estimate { value, low, high, .. } = *ratio;
    let (value, low, high) = (value * engine_rpm, low * engine_rpm, high * engine_rpm);
    Estimate { value, low, high, ..ratio.clone() }
}

fn standing(margins: &[Margin], speeds: &Speeds) -> Suitability {
    if speeds.at_redline_rpm.value > speeds.limit_rpm {
        return Suitability::TooFast;
    }
    let least = margins.iter().map(|m| m.enough_share).fold(1.0, f64::min);
    if margins.is_empty() || least < 0.5 {
        Suitability::FallsShort
    } else if least < SURE {
        Suitability::May
    } else {
        Suitability::Carries
    }
}

fn predicted(
    point: &OperatingPoint,
    scene: &Scene,
    trials: &[CarSample],
    replays: &[Replay],
    nominal: Nominal,
) -> PredictedPoint {
    let over = |of: &dyn Fn(&Replay) -> &Vec<f64>| -> Vec<f64> {
        replays.iter().map(|r| mean_over(of(r), scene, &point.spans)).collect()
    };
    let (volts, amps, margins) =
        (over(&|r| &r.volts), over(&|r| &r.battery_a), over(&|r| &r.margin_a));
    let states: Vec<BusState> = trials
        .iter()
        .zip(replays)
        .filter_map(|(trial, replay)| mostly(point, scene, trial, replay))
        .collect();
    let (state, count) = most_common(&states).unwrap_or((point.state, 0));
    let state_share = count as f64 / states.len().max(1) as f64;
    let predicted_v = spread(&volts, Grade::Assumed, "replayed with fitted cars");
    let given: Vec<f64> = amps.iter().map(|a| (-a).max(0.0)).collect();
    PredictedPoint {
        loads: point.loads.clone(),
        rpm_low: point.rpm_low,
        rpm_high: point.rpm_high,
        heat: point.heat,
        seconds: point.seconds,
        logged_v: point.voltage_v.clone(),
        logged_state: point.state,
        voltage_is_told: predicted_v.high - predicted_v.low
            <= nominal.volts(levels::LOOSE_PREDICTION),
        predicted_v,
        state,
        state_share,
        deficit_a: spread(&given, Grade::Assumed, "replayed with fitted cars"),
        margin_a: spread(&margins, Grade::Assumed, "replayed with fitted cars"),
    }
}

/// Of the current alternator the log itself shows the state, and the diagnosis has the
/// amps: the plan repeats both. Only the reserve of a held bus has to be replayed.
fn as_diagnosed(replayed: PredictedPoint, point: &OperatingPoint) -> PredictedPoint {
    let margin_a = match &point.regulation_shortfall_a {
        Some(shortfall_a) if point.state != BusState::Holding => shortfall_a.negated(),
        _ => replayed.margin_a.at_least(0.0),
    };
    PredictedPoint {
        state: point.state,
        state_share: point.state_confidence,
        deficit_a: point.implied_deficit_a.clone().unwrap_or(replayed.deficit_a),
        margin_a,
        ..replayed
    }
}

/// The state that the bus is in for most of a point's time.
fn mostly(
    point: &OperatingPoint,
    scene: &Scene,
    trial: &CarSample,
    replay: &Replay,
) -> Option<BusState> {
    let mut states = Vec::new();
    for k in point.spans.iter().flat_map(|span| scene.within(*span)) {
        let moment = scene.moments.get(k)?;
        let under_v = trial.setpoint_v(moment.setpoint_v, trial.machine_c(moment.warmth))
            - replay.volts.get(k)?;
        states.push(if *replay.battery_a.get(k)? < -DRAINING_A {
            BusState::Draining
        } else if under_v < trial.nominal().volts(levels::DROOP) {
            BusState::Holding
        } else {
            BusState::Limited
        });
    }
    most_common(&states).map(|(state, _)| state)
}

/// Of two alike the worse.
fn most_common(states: &[BusState]) -> Option<(BusState, usize)> {
    [BusState::Holding, BusState::Limited, BusState::Draining]
        .into_iter()
        .map(|state| (state, states.iter().filter(|s| **s == state).count()))
        .filter(|(_, count)| *count > 0)
        .max_by_key(|(_, count)| *count)
}

fn reproduction(
    scene: &Scene,
    present: &Played,
    fleet: &PosteriorEnsemble,
    nominal: Nominal,
) -> Reproduction {
    let band = band_of(scene, &present.replays);
    let mut squares = 0.0;
    let mut errors = Vec::new();
    let mut covered = 0usize;
    for (moment, (low, middle, high)) in scene.moments.iter().zip(&band) {
        if moment.running && middle.is_finite() {
            let error_v: f64 = middle - moment.volts;
            squares += error_v * error_v;
            errors.push(error_v.abs());
            covered += usize::from((*low..=*high).contains(&moment.volts));
        }
    }
    errors.sort_by(f64::total_cmp);
    let count = errors.len().max(1) as f64;
    let within = errors.get((0.9 * (count - 1.0)).round() as usize).copied().unwrap_or(f64::NAN);
    let rms_v = (squares / count).sqrt();
    let covered_share = covered as f64 / count;
    Reproduction {
        rms_v,
        within_v: within,
        covered_share,
        full_output_pieces: fleet.full,
        told: narrative::reproduction(rms_v, within, fleet, nominal),
    }
}

/// Low, middle and high of every moment.
fn band_of(scene: &Scene, replays: &[Replay]) -> Vec<(f64, f64, f64)> {
    (0..scene.moments.len())
        .map(|k| {
            let volts: Vec<f64> = replays.iter().filter_map(|r| r.volts.get(k).copied()).collect();
            let Estimate { low, value, high, .. } = spread(&volts, Grade::Assumed, "");
            (low, value, high)
        })
        .collect()
}

/// For the picture: some hundred buckets, each with the widest of its band.
fn band(scene: &Scene, replays: &[Replay]) -> Band {
    let all = band_of(scene, replays);
    let each = all.len().div_ceil(MOST_BUCKETS).max(1);
    let mut band = Band::default();
    for (moments, bucket) in scene.moments.chunks(each).zip(all.chunks(each)) {
        let Some(first) = moments.first() else { continue };
        let low = bucket.iter().map(|b| b.0).fold(f64::INFINITY, f64::min);
        let high = bucket.iter().map(|b| b.2).fold(f64::NEG_INFINITY, f64::max);
        band.time_s.push(first.start_s);
        band.low_v.push(low);
        band.middle_v.push(bucket.iter().map(|b| b.1).sum::<f64>() / bucket.len() as f64);
        band.high_v.push(high);
    }
    band
}

/// The most that the alternator makes at an operating point.
fn flows(replays: &[Replay], scene: &Scene, points: &[OperatingPoint]) -> Estimate {
    let most: Vec<f64> = replays
        .iter()
        .map(|r| {
            points
                .iter()
                .map(|point| mean_over(&r.alternator_a, scene, &point.spans))
                .filter(|a| a.is_finite())
                .fold(0.0, f64::max)
        })
        .collect();
    spread(&most, Grade::Assumed, "the most at an operating point, replayed")
}

fn entries(
    ledger: &[Item],
    trials: &[CarSample],
    sets: &[LoadSet],
    nominal: Nominal,
) -> Vec<LedgerItem> {
    let setpoint_v = setpoint_v(sets, nominal);
    ledger
        .iter()
        .enumerate()
        .map(|(k, item)| {
            let half_a = item.sd_a * crate::estimate::Z90;
            let (grade, how) = match item.stated {
                true => (Grade::Inferred, "stated"),
                false => (Grade::Assumed, "as such loads commonly draw"),
            };
            let entered_a = Estimate::new(
                item.amps.amps_a,
                (item.amps.amps_a - half_a).max(0.0),
                item.amps.amps_a + half_a,
                grade,
                how,
            );
            let at: Vec<f64> = trials
                .iter()
                .filter_map(|t| Some(t.loads.get(k)?.at(t.setpoint_v(setpoint_v, t.soaked_c()))))
                .collect();
            LedgerItem {
                load: item.name.clone(),
                entered_a,
                at_setpoint_a: spread(&at, grade, "fitted to the log"),
                continuous: item.continuous,
            }
        })
        .collect()
}

fn setpoint_v(sets: &[LoadSet], nominal: Nominal) -> f64 {
    let [common, ..] = levels::COMMON_SETPOINT;
    sets.first().map_or(nominal.volts(common), |set| set.setpoint_v)
}

/// What always runs, and all that is switched, at the setpoint.
fn totals(
    ledger: &[Item],
    trials: &[CarSample],
    sets: &[LoadSet],
    nominal: Nominal,
) -> (Estimate, Estimate) {
    let setpoint_v = setpoint_v(sets, nominal);
    let total = |continuous: bool| {
        let sums: Vec<f64> = trials
            .iter()
            .map(|trial| {
                ledger
                    .iter()
                    .zip(&trial.loads)
                    .filter(|(item, _)| item.continuous == continuous)
                    .map(|(_, load)| load.at(trial.setpoint_v(setpoint_v, trial.soaked_c())))
                    .sum()
            })
            .collect();
        spread(&sums, Grade::Assumed, "the ledger at the setpoint, duty full")
    };
    (total(true), total(false))
}
