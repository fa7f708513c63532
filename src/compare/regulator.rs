//! Whether the regulator's own setpoint was corrected or spoiled.

use crate::car::Acceptance;
use crate::compare::change::change;
use crate::compare::criteria::setpoint_within_limits;
use crate::compare::matching::Pair;
use crate::comparison::{PointOutcome, Reading};
use crate::diagnosis::{BusState, Diagnosis, Heat};
use crate::levels;

/// Better or worse where one log's setpoint is sound and the other's is not, and
/// they lie further apart than heat and another day explain.
pub fn regulator(
    before: &Diagnosis,
    after: &Diagnosis,
    pairs: &[Pair],
    acceptance: &Acceptance,
) -> PointOutcome {
    let readings =
        (setpoint_within_limits(before, acceptance).0, setpoint_within_limits(after, acceptance).0);
    let standing = match readings {
        (Reading::Fail, Reading::Pass) => PointOutcome::Better,
        (Reading::Pass, Reading::Fail) => PointOutcome::Worse,
        _ => return PointOutcome::NoClearChange,
    };
    let (Some(old), Some(new)) = (&before.setpoint_v, &after.setpoint_v) else {
        return PointOutcome::NoClearChange;
    };
    let moved_v = new.less(old, "setpoint after less setpoint before");
    let beyond = |least_v: f64| moved_v.low > least_v || moved_v.high < -least_v;
    let nominal = before.source.nominal_v;
    let day_to_day_v = nominal.volts(levels::DAY_TO_DAY);
    let by_heat_v = nominal.volts(levels::SETPOINT_BY_HEAT);
    let as_hot = pairs.iter().any(|pair| {
        let (old, new) = (pair.before, pair.after);
        let hold = old.state == BusState::Holding && new.state == BusState::Holding;
        // Cold is from frost to 60 °C: too wide to be alike.
        let alike = old.heat == new.heat && matches!(old.heat, Heat::Warm | Heat::Hot);
        let (change_v, _) = change(old, new);
        let with = change_v.value.signum() == moved_v.value.signum();
        hold && alike && with && (change_v.low > day_to_day_v || change_v.high < -day_to_day_v)
    });
    if beyond(day_to_day_v + by_heat_v) || (as_hot && beyond(day_to_day_v)) {
        standing
    } else {
        PointOutcome::NoClearChange
    }
}
