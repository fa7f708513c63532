//! The criteria of a repair, and what each log shows of them.

use crate::car::{Acceptance, AskedHeat};
use crate::compare::hold_duration::{AgreedRunning, held};
use crate::compare::load_matching::{Pairing, SameError, load_names, quoted};
use crate::compare::matching::{OnSet, any, parsed};
use crate::comparison::{Criterion, Reading};
use crate::diagnosis::{BusState, Diagnosis, OperatingPoint};
use crate::estimate::{Estimate, Grade};
use crate::format::{self, AMP, VOLT};
use crate::levels;

/// The loads that have to be carried together, as the earlier log names them,
/// with the duty that each had there.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    pub loads: Vec<(String, f64)>,
    /// The earlier log's loads are known from the voltage alone.
    pub unnamed: bool,
}

impl Wanted {
    /// Whether `point` of the earlier log is the agreed running, at idle.
    pub fn is(&self, point: &OperatingPoint) -> bool {
        point.rpm_low == Some(0.0) && point.loads == self.labels()
    }

    /// As an operating point's labels: "blower 60 %".
    pub fn labels(&self) -> Vec<String> {
        let label = |(name, duty): &(String, f64)| {
            if *duty >= 100.0 { name.clone() } else { format!("{name} {duty:.0} %") }
        };
        self.loads.iter().map(label).collect()
    }
}

/// Those that were agreed, or every load that the earlier log used.
pub fn wanted_loads(before: &Diagnosis, acceptance: &Acceptance) -> Result<Wanted, SameError> {
    let names = load_names(before);
    let mut asked = Vec::new();
    for name in &acceptance.loads {
        let wanted = name.trim().to_lowercase();
        match names.iter().find(|known| known.trim().to_lowercase() == wanted) {
            Some(known) => asked.push(known.clone()),
            None => {
                return Err(SameError::NotAsked {
                    file: before.source.file.clone(),
                    name: name.clone(),
                    known: quoted(&names),
                });
            }
        }
    }
    let sets: Vec<Option<OnSet>> =
        before.operating_points.iter().map(|point| parsed(&point.loads, &names)).collect();
    let unnamed = sets.iter().any(Option::is_none);
    let used: Vec<&(String, f64)> = sets.iter().flatten().flat_map(|set| &set.loads).collect();
    let most = |name: &String| {
        used.iter().filter(|(load, _)| load == name).map(|(_, duty)| *duty).reduce(f64::max)
    };
    let loads = names
        .iter()
        .filter(|name| asked.is_empty() || asked.contains(name))
        .filter_map(|name| match most(name) {
            Some(duty) => Some((name.clone(), duty)),
            None => (!asked.is_empty()).then(|| (name.clone(), 100.0)),
        })
        .collect();
    Ok(Wanted { loads, unnamed })
}

/// One log, checked against the criteria.
struct LogCheck<'d> {
    diagnosis: &'d Diagnosis,
    held: AgreedRunning<'d>,
    /// Why the agreed running cannot be looked for in this log.
    blind: Option<String>,
}

/// Each criterion, and for how long the later log held the agreed loads without a break.
pub fn criteria(
    before: &Diagnosis,
    after: &Diagnosis,
    pairing: &Pairing,
    wanted: &Wanted,
    acceptance: &Acceptance,
) -> (Vec<Criterion>, Option<f64>) {
    let unnamed = wanted.unnamed.then(|| {
        "the earlier log does not name its loads: state with --marks-before when each load \
         was on"
            .to_owned()
    });
    let old = LogCheck {
        diagnosis: before,
        held: held(before, &load_names(before), &wanted.loads, acceptance),
        blind: unnamed.clone(),
    };
    let lonely: Vec<String> = wanted
        .loads
        .iter()
        .filter(|(name, _)| pairing.after(name).is_none())
        .map(|(name, _)| name.clone())
        .collect();
    let renamed: Vec<(String, f64)> = wanted
        .loads
        .iter()
        .filter_map(|(name, duty)| Some((pairing.after(name)?.to_owned(), *duty)))
        .collect();
    let missing = (!lonely.is_empty())
        .then(|| format!("the later log does not show when {} is on", any(&lonely)));
    let new = LogCheck {
        diagnosis: after,
        held: held(after, &load_names(after), &renamed, acceptance),
        blind: unnamed.or(missing),
    };
    let loads = match wanted.labels().as_slice() {
        [] if wanted.unnamed => "all that the earlier log had on, together at idle".to_owned(),
        [] => "idle with all off".to_owned(),
        [one] => format!("{} running at idle", format::loads(std::slice::from_ref(one))),
        labels => format!("{} running together at idle", format::loads(labels)),
    };
    let hot = match acceptance.heat {
        AskedHeat::Any => String::new(),
        heat => format!(", {}", heat.word()),
    };
    let hold = format::duration(acceptance.hold_s);
    let within = VOLT.of(acceptance.within_v);
    let band = format!(
        "{} and {}",
        VOLT.bare(acceptance.least_setpoint_v),
        VOLT.of(acceptance.most_setpoint_v)
    );
    type Look<'l> = &'l dyn Fn(&LogCheck) -> (Reading, String);
    let lines: [(&str, String, Look); 4] = [
        ("loads-held", format!("{loads}{hot}, for {hold} without a break"), &|log| {
            loads_held(log, acceptance)
        }),
        (
            "at-setpoint",
            format!("the voltage then no more than {within} under the setpoint"),
            &|log| at_setpoint(log, acceptance),
        ),
        (
            "never-draining",
            "the battery discharges at no operating point of the log".to_owned(),
            &|log| never_draining(log.diagnosis),
        ),
        ("setpoint-sound", format!("the setpoint lies between {band}"), &|log| {
            setpoint_within_limits(log.diagnosis, acceptance)
        }),
    ];
    let criteria = lines.into_iter().map(|(id, asked, look)| {
        let ((before, before_seen), (after, after_seen)) = (look(&old), look(&new));
        Criterion { id: id.to_owned(), asked, before, before_seen, after, after_seen }
    });
    (criteria.collect(), new.held.longest.map(|span| span.seconds()))
}

fn loads_held(log: &LogCheck, acceptance: &Acceptance) -> (Reading, String) {
    if let Some(why) = &log.blind {
        return (Reading::NotShown, why.clone());
    }
    let held = &log.held;
    match held.longest {
        Some(span) if span.seconds() >= acceptance.hold_s => {
            let when = format::from_to(span.start_s, span.end_s);
            let seen = format::duration(span.seconds());
            (Reading::Pass, format!("{seen} without a break, from {when}"))
        }
        Some(span) => {
            let seen = format::duration(span.seconds());
            (Reading::NotShown, format!("only {seen} without a break"))
        }
        None => (Reading::NotShown, never(held, acceptance)),
    }
}

fn never(held: &AgreedRunning, acceptance: &Acceptance) -> String {
    let asked = acceptance.heat.word();
    if let Some(point) = held.cooler.first() {
        format!("seen only {}, not {asked}", point.heat.word())
    } else if held.heat_unknown {
        format!("the log has no temperature, so it is not known whether it was {asked}")
    } else if held.speed_unknown {
        "the log has no engine speed, so it is not known whether it was at idle".to_owned()
    } else {
        "never in this log".to_owned()
    }
}

fn at_setpoint(log: &LogCheck, acceptance: &Acceptance) -> (Reading, String) {
    if log.blind.is_some() || log.held.points.is_empty() {
        return (Reading::NotShown, "this log does not show those loads at idle".to_owned());
    }
    let Some(mean_v) = log.held.furthest_under_v() else {
        return (Reading::NotShown, "the log shows no setpoint".to_owned());
    };
    let lowest = log.held.lowest(log.diagnosis);
    let lowest = lowest.filter(|(under_v, _)| under_v.high > acceptance.within_v.max(mean_v.high));
    let (under_v, when) = match &lowest {
        Some((under_v, window)) => {
            (under_v, format!(" from {}", format::from_to(window.start_s, window.end_s)))
        }
        None => (mean_v, String::new()),
    };
    let seen = if under_v.value >= 0.0 {
        format!("{} under the setpoint{when}", VOLT.with_range(under_v))
    } else {
        format!("{} above the setpoint{when}", VOLT.with_range(&under_v.negated()))
    };
    if under_v.low > acceptance.within_v {
        (Reading::Fail, seen)
    } else if under_v.grade == Grade::Assumed {
        (Reading::NotShown, format!("{seen}, but that setpoint is assumed: the log never shows it"))
    } else if under_v.high <= acceptance.within_v {
        (Reading::Pass, seen)
    } else {
        (Reading::NotShown, format!("{seen}: too close to decide"))
    }
}

fn never_draining(diagnosis: &Diagnosis) -> (Reading, String) {
    let points = &diagnosis.operating_points;
    let draining: Vec<&OperatingPoint> =
        points.iter().filter(|p| p.state == BusState::Draining).collect();
    let given = |p: &&OperatingPoint| p.implied_deficit_a.as_ref().map_or(0.0, |a| a.value);
    let told = |point: &OperatingPoint| {
        let amps = point.implied_deficit_a.as_ref();
        let amps = amps.map_or(String::new(), |a| format!(" of {}", AMP.with_range(a)));
        format!("discharge{amps} {}", format::with_loads(&point.loads))
    };
    let sure = draining.iter().filter(|p| p.is_sure());
    if let Some(worst) = sure.max_by(|a, b| given(a).total_cmp(&given(b))) {
        return (Reading::Fail, told(worst));
    }
    match draining.first() {
        Some(point) => (Reading::NotShown, format!("possible {}", told(point))),
        None if points.is_empty() => (Reading::NotShown, "no steady operation seen".to_owned()),
        None => {
            let count = format::plural(points.len(), "operating point", "operating points");
            (Reading::Pass, format!("no discharge at any of {count}"))
        }
    }
}

pub fn setpoint_within_limits(diagnosis: &Diagnosis, acceptance: &Acceptance) -> (Reading, String) {
    let Some(setpoint_v) = &diagnosis.setpoint_v else {
        return (Reading::NotShown, "the log shows no setpoint".to_owned());
    };
    let seen = VOLT.with_range(setpoint_v);
    let drift_v = diagnosis.source.nominal_v.volts(levels::SETPOINT_DRIFT);
    // A level that the voltage exceeds for seconds is not a setpoint.
    let above = diagnosis
        .operating_points
        .iter()
        .filter(|p| p.voltage_v.low > setpoint_v.high + drift_v)
        .max_by(|a, b| a.voltage_v.value.total_cmp(&b.voltage_v.value));
    if let Some(point) = above.filter(|_| setpoint_v.low <= acceptance.most_setpoint_v) {
        let also = VOLT.with_range(&point.voltage_v);
        return (Reading::NotShown, format!("{seen}, but the voltage is also at {also}"));
    }
    (within(setpoint_v, acceptance.least_setpoint_v, acceptance.most_setpoint_v), seen)
}

fn within(x: &Estimate, least: f64, most: f64) -> Reading {
    if x.high < least || x.low > most {
        Reading::Fail
    } else if x.grade != Grade::Assumed && x.low >= least && x.high <= most {
        Reading::Pass
    } else {
        Reading::NotShown
    }
}
