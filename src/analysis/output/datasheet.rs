//! A measured point compared with the alternator's datasheet. The sheet was measured at one voltage
//! and cold; both are converted to the log's with common ranges, the worst ends together, so that
//! an alternator is not called weak by chance.

use crate::assumptions::{ALTERNATOR_SPOT, Assumption, HEAT_LOSS, LOGGED_SPEED, RATIO_SPEED};
use crate::diagnosis::{Heat, OutputPoint, SheetStanding};
use crate::estimate::{Estimate, Grade};
use crate::ingest::Sheet;
use crate::nominal::Nominal;
use crate::physics::alternator::{Derating, as_tested_rpm};

const COLD_C: f64 = 25.0;
const SOAKED_C: f64 = 110.0;
/// Shares of a smaller sheet current are not computed.
const LEAST_SHEET_A: f64 = 1.0;
/// Points seen for less are not judged.
const LEAST_S: f64 = 4.0;
/// An alternator that delivers this share of its sheet's middle meets it (common
/// practice, no source).
const SOUND_SHARE: f64 = 0.85;

/// Fills in the sheet's current at a point; lower bounds get no share.
pub fn compare(sheet: &Sheet, point: &mut OutputPoint, speed_logged: bool, nominal: Nominal) {
    let unsure = if speed_logged { LOGGED_SPEED } else { RATIO_SPEED };
    let test_v = sheet.tested_v(nominal);
    point.sheet_a =
        point.alternator_rpm.and_then(|rpm| carried(sheet, &test_v, point, rpm, unsure));
    point.share_of_sheet = point
        .sheet_a
        .as_ref()
        .filter(|sheet_a| point.full_output && sheet_a.low >= LEAST_SHEET_A)
        .map(|sheet_a| {
            let amps_a = &point.amps_a;
            Estimate::new(
                amps_a.value / sheet_a.value,
                amps_a.low / sheet_a.high,
                amps_a.high / sheet_a.low,
                Grade::Assumed,
                "measured output over its sheet, carried to this voltage and heat",
            )
        });
}

/// What the sheet promises at `rpm`, at the voltage and heat of the point.
fn carried(
    sheet: &Sheet,
    test_v: &Estimate,
    point: &OutputPoint,
    rpm: f64,
    unsure: Assumption,
) -> Option<Estimate> {
    let there_a = sheet.curve.known_a(rpm)?;
    let at_v = point.at_v.value;
    let tested = [test_v.low, test_v.high].map(|v| as_tested_rpm(rpm, at_v, v));
    let whole = [tested[0], tested[1], rpm];
    let slowest_rpm = unsure.low() * whole.into_iter().fold(f64::INFINITY, f64::min);
    let fastest_rpm = unsure.high() * whole.into_iter().fold(f64::NEG_INFINITY, f64::max);
    // Beyond the last point the curve lies at least as high; below the first nothing is known.
    let least_a = sheet.curve.known_a(slowest_rpm)?;
    let most_a = sheet.curve.output(fastest_rpm).amps_a;
    let halfway_rpm = (rpm + as_tested_rpm(rpm, at_v, test_v.value)) / 2.0;
    let heat = heat_share(point, &sheet.test_c);
    let how = format!(
        "{} has {there_a:.0} A there; carried from {:.1} V to {at_v:.1} V and {:.0} to {:.0} % of it for heat (common practice)",
        sheet.file,
        test_v.value,
        100.0 * heat.1,
        100.0 * heat.2
    );
    Some(Estimate::new(
        heat.0 * sheet.curve.output(halfway_rpm).amps_a,
        heat.1 * least_a,
        heat.2 * most_a,
        Grade::Assumed,
        how,
    ))
}

/// Output at the point's heat over output at the sheet's: middle, least, most.
fn heat_share(point: &OutputPoint, test_c: &Estimate) -> (f64, f64, f64) {
    let there = alternator_c(point);
    let mut shares = Vec::new();
    for lost_share in [HEAT_LOSS.low(), HEAT_LOSS.high()] {
        let derating = Derating { cold_c: COLD_C, soaked_c: SOAKED_C, lost_share };
        for there_c in [there.0, there.1] {
            for tested_c in [test_c.low, test_c.high] {
                shares.push(derating.factor(there_c) / derating.factor(tested_c));
            }
        }
    }
    let least = shares.iter().copied().fold(f64::INFINITY, f64::min);
    let most = shares.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    ((least + most) / 2.0, least, most)
}

/// How warm the alternator may be, °C. It lags behind the engine's coolant when
/// that warms up, and gets far hotter than the air around it (common practice,
/// no source).
fn alternator_c(point: &OutputPoint) -> (f64, f64) {
    match (point.temperature_at.as_deref(), point.temperature_c) {
        (Some("alternator"), Some(c)) => {
            (c - ALTERNATOR_SPOT.half_width(), c + ALTERNATOR_SPOT.half_width())
        }
        _ => match point.heat {
            Heat::Cold => (-10.0, 80.0),
            Heat::Warm => (40.0, 100.0),
            Heat::Hot => (60.0, 115.0),
            Heat::Unknown => (-10.0, 115.0),
        },
    }
}

/// By the seconds at full output that can be compared with the sheet.
pub fn standing(points: &[OutputPoint]) -> Option<SheetStanding> {
    let told = || {
        let lasting = points.iter().filter(|p| p.seconds >= LEAST_S);
        lasting.filter_map(|p| Some((p.seconds, p.share_of_sheet.as_ref()?)))
    };
    let seconds = |pick: &dyn Fn(&Estimate) -> bool| -> f64 {
        told().filter(|(_, share)| pick(share)).map(|(seconds, _)| seconds).sum()
    };
    let all_s = seconds(&|_| true);
    let below_s = seconds(&|share| share.high < 1.0);
    let sound_s = seconds(&|share| share.high >= 1.0 && share.value >= SOUND_SHARE);
    if all_s == 0.0 {
        None
    } else if below_s > 0.5 * all_s {
        Some(SheetStanding::Below)
    } else if below_s == 0.0 && sound_s > 0.5 * all_s {
        Some(SheetStanding::Meets)
    } else {
        Some(SheetStanding::NotSure)
    }
}
