//! What this log cannot tell, why, and what would.

use crate::diagnosis::{BusState, Heat, Origin};
use crate::estimate::Grade;
use crate::format::MILLIVOLT;
use crate::log::{Role, Span, Tap};
use crate::segment::indices;
use crate::verdict::Case;
use crate::verdict::evidence::{is_idle, min_and_max, stop_by_voltage};

/// Ripple of a running alternator lies at hundreds of hertz; this many samples
/// a second at least would show it (common practice, no source).
const RIPPLE_HZ: f64 = 1000.0;

pub fn cannot_tell(case: &Case) -> Vec<String> {
    let mut said = Vec::new();
    let mut say = |applies: bool, text: &str| {
        if applies {
            said.push(text.to_owned());
        }
    };
    let log = case.log;
    let has = |role: Role| log.channel(role).is_some();
    let points = &case.analysis.operating_points;
    let draining = points.iter().any(|p| p.state == BusState::Draining);
    let slipping = points.iter().any(|p| p.state == BusState::Limited);

    say(
        case.segments.running_is_assumed,
        "Whether the engine ran: the voltage is that of a battery that is not charged. Everything reported about running applies only if it did. Log engine speed, or add --mark TIME=engine:on.",
    );
    say(
        !case.segments.doubtful_stops.is_empty() && !case.has_generator(),
        "Whether the engine was stopped in every rest: from the voltage alone, a shortage looks like a stop. Log engine speed, or add --mark TIME=engine:off.",
    );
    if let Some(stop) = stop_by_voltage(case) {
        let Span { start_s, end_s } = stop;
        let (low_v, high_v) = min_and_max(&log.bus_v()[indices(log.time_s(), stop)]);
        say(
            true,
            &format!(
                "Whether the engine was stopped from {start_s:.0} to {end_s:.0} s: only the voltage shows it ({low_v:.2} to {high_v:.2} V). If the engine ran, the alternator did not keep up. Log engine speed, or add --mark {start_s:.0}=engine:off."
            ),
        );
    }
    say(
        log.engine_rpm().is_none(),
        "Idle or higher speed: engine speed is not logged, and a change of speed looks like a load step. Log engine speed.",
    );
    say(
        log.load_names().is_empty(),
        "Which loads were on: no channel or mark shows it, so steps come from the voltage alone and have no names. Log the load switches, or add --mark TIME=LOAD:on.",
    );
    say(
        !has(Role::BatteryCurrent) && (draining || slipping),
        &format!(
            "Exact amps: battery current is not logged, so amps depend on a battery resistance that is {}. A clamp on the battery cable narrows it, or a load of known amps, switched while the voltage is low and held for half a minute before the start.",
            case.analysis.battery.resistance_ohm.grade.word()
        ),
    );
    say(
        case.analysis.rest_voltage_v.is_none(),
        "Rest voltage: the log does not begin with the engine stopped. Start logging half a minute before the start.",
    );
    say(
        case.analysis.setpoint.as_ref().is_none_or(|s| s.estimate.grade != Grade::Measured),
        "Whether the highest voltage is the regulator's setpoint: loads and speed did not change there. Log some seconds at 2000 rpm with everything off.",
    );
    say(
        points.iter().all(|p| p.heat == Heat::Unknown),
        "Whether heat reduces the output: no temperature is logged. Log coolant or under-hood temperature, and a run that is heat-soaked.",
    );
    say(
        !points.is_empty() && case.analysis.heat_compared == 0,
        "Whether it still holds when heat-soaked: no set of loads was on twice at one speed, a minute or 10 °C apart. Log the same loads at idle cold and again heat-soaked.",
    );
    say(
        !points.is_empty() && points.iter().all(|p| !is_idle(p)),
        "Idle: the log has no steady idle. Repeat at hot idle with every load on.",
    );
    say(
        log.engine_rpm().is_some() && points.iter().all(is_idle) && (draining || slipping),
        "Keep-up speed: the log never leaves idle. Raise the speed in steps with the loads on.",
    );
    say(
        Tap::ALL.iter().filter(|tap| has(Role::Voltage(**tap))).count() < 2,
        "Voltage lost in cables or ground: only one voltage is logged. Log at the alternator post and at the battery together.",
    );
    say(
        log.source.sample_interval_s > 1.0 / RIPPLE_HZ,
        &format!(
            "Ripple (a failed diode): {:.0} samples per second cannot show it; any ripple is part of the {} of noise. Measure AC volts at the battery under load.",
            1.0 / log.source.sample_interval_s.max(1e-6),
            case.analysis.noise.sigma.as_ref().map_or_else(
                || MILLIVOLT.of(case.analysis.noise.sigma_v),
                |sigma| MILLIVOLT.with_range(sigma)
            )
        ),
    );
    say(
        case.car.alternator.sheet.is_some() && !has(Role::AlternatorCurrent),
        "Whether the alternator makes the output on its data sheet: alternator current is not logged. Put a clamp on its output cable.",
    );
    say(
        log.engine_rpm().is_none()
            && case.analysis.load_steps.iter().any(|s| s.origin == Origin::Detected),
        "Whether the detected steps are loads: without engine speed, some may be changes of speed.",
    );
    said
}
