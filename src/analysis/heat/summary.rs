//! What a pair of the same running early and late says, in words.

use crate::diagnosis::{HeatPair, OutputChange};
use crate::estimate::Estimate;
use crate::format::{
    AMP, MILLIVOLT_PER_DEGREE, MILLIVOLT_PER_MINUTE, RPM, VOLT, capital, with_loads,
};

/// What the setpoint itself did between the halves.
fn drift(pair: &HeatPair) -> Estimate {
    let (early, late) = (&pair.setpoint_early_v, &pair.setpoint_late_v);
    // Both ends share the setpoint's own error; only the drift's parts them.
    let half_width_v = (late.half_width().powi(2) - early.half_width().powi(2)).max(0.0).sqrt();
    let how = "setpoint late less early";
    Estimate::around(late.value - early.value, half_width_v, early.grade, how)
}

/// The change with the setpoint's own taken out.
pub fn beyond_drift(pair: &HeatPair) -> Estimate {
    let change = &pair.change_v;
    let drift = drift(pair);
    let half_width_v = change.half_width().hypot(drift.half_width());
    let how = "change less the setpoint's own";
    Estimate::around(change.value - drift.value, half_width_v, drift.grade.max(change.grade), how)
}

/// The pair in a sentence or two.
pub(super) fn sentence(pair: &HeatPair) -> String {
    let speed = pair.rpm.map_or_else(String::new, |rpm| format!(" at {}", RPM.of(rpm)));
    let drift = drift(pair);
    let own = match drift.value.abs() >= 0.005 {
        true => format!("while its setpoint went {}", VOLT.with_range(&drift)),
        false => "while its setpoint stayed".to_owned(),
    };
    let minute = pair
        .per_minute_v
        .as_ref()
        .map_or_else(String::new, |rate| format!(", {}", MILLIVOLT_PER_MINUTE.with_range(rate)));
    let degree = match (&pair.per_degree_v, &pair.temperature) {
        (Some(rate), Some(place)) => {
            format!(", {} of {place} temperature", MILLIVOLT_PER_DEGREE.with_range(rate))
        }
        _ => String::new(),
    };
    let output = match (pair.output, &pair.output_change_a) {
        (OutputChange::Less, Some(change)) => {
            let lost = change.negated();
            format!(" The alternator makes less by {}.", AMP.told(&lost))
        }
        (OutputChange::BatteryToo, _) => {
            " A battery that stands lower than early may be all of it.".to_owned()
        }
        (OutputChange::SpeedToo, _) => {
            " Engine speed was not quite the same, or is not logged: it shows nothing of output."
                .to_owned()
        }
        _ => String::new(),
    };
    format!(
        "{}{speed}: {} late against early, {own}{minute}{degree}; late the bus {}.{output}",
        capital(&with_loads(&pair.loads)),
        VOLT.with_range(&pair.change_v),
        if pair.holds_late { "still holds" } else { "does not hold" },
    )
}
