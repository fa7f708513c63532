//! Where a bus settles: a regulator with a limit, a battery and loads in parallel.
//!
//! ```text
//! A(U) = I_battery(U) + I_loads(U)      the alternator at full output
//! U = setpoint                          where that is more than enough
//! ```

use crate::levels;
use crate::nominal::Nominal;

/// A settled bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    pub volts: f64,
    /// Positive: charging.
    pub battery_a: f64,
    pub alternator_a: f64,
    /// Current needed to hold the setpoint, and current available at it.
    pub needed_a: f64,
    pub available_a: f64,
}

/// Currents in A by bus voltage: `battery` rises with it, `available` does not.
pub fn solve_bus(
    nominal: Nominal,
    setpoint_v: f64,
    battery: impl Fn(f64) -> f64,
    loads: impl Fn(f64) -> f64,
    available: impl Fn(f64) -> f64,
) -> Settled {
    let needed_a = battery(setpoint_v) + loads(setpoint_v);
    let available_a = available(setpoint_v);
    let volts = if needed_a > available_a {
        root(nominal.volts(levels::SETTLE_LOWEST), setpoint_v, |v| {
            battery(v) + loads(v) - available(v)
        })
    } else if needed_a < 0.0 {
        // The battery is above the setpoint: the field is off.
        let highest_v = setpoint_v + nominal.volts(levels::SETTLE_ABOVE);
        root(setpoint_v, highest_v, |v| battery(v) + loads(v))
    } else {
        setpoint_v
    };
    let battery_a = battery(volts);
    let alternator_a = (battery_a + loads(volts)).max(0.0);
    Settled { volts, battery_a, alternator_a, needed_a, available_a }
}

/// By false position, an end that stays for long counting half (the Illinois
/// variant): `f` rises, and is not smooth where the battery turns from giving to
/// taking. Where it does not change its sign, the end nearer to that.
fn root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    const CLOSE_V: f64 = 1e-8;
    const CLOSE_A: f64 = 1e-6;
    let (mut low, mut high) = (low, high);
    let (mut below_a, mut above_a) = (f(low), f(high));
    if below_a >= 0.0 {
        return low;
    }
    if above_a <= 0.0 {
        return high;
    }
    let mut stays = 0;
    for _ in 0..60 {
        let at = low - below_a * (high - low) / (above_a - below_a);
        let amps_a = f(at);
        if amps_a.abs() < CLOSE_A || high - low < CLOSE_V || !amps_a.is_finite() {
            return at;
        }
        if amps_a < 0.0 {
            (low, below_a) = (at, amps_a);
            if stays == -1 {
                above_a /= 2.0;
            }
            stays = -1;
        } else {
            (high, above_a) = (at, amps_a);
            if stays == 1 {
                below_a /= 2.0;
            }
            stays = 1;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 12.6 V behind 10 mΩ, 60 A of loads at 13.5 V in proportion to
    /// voltage, 40 A available: (U − 12.6)/0.01 + 60·U/13.5 = 40
    /// → U = (40 + 1260)/(100 + 4.4444) = 12.4468 V, the battery giving 15.32 A.
    #[test]
    fn a_short_bus_settles_where_the_currents_meet() {
        let settled =
            solve_bus(Nominal::V12, 14.4, |v| (v - 12.6) / 0.01, |v| 60.0 * v / 13.5, |_| 40.0);
        assert!((settled.volts - 1300.0 / 104.444_444).abs() < 1e-6, "{settled:?}");
        assert!((settled.battery_a + 15.319).abs() < 1e-2, "{settled:?}");
        assert!((settled.alternator_a - 40.0).abs() < 1e-4);
    }

    #[test]
    fn enough_holds_the_setpoint() {
        let settled = solve_bus(Nominal::V12, 14.4, |v| (v - 14.0) / 0.1, |_| 60.0, |_| 90.0);
        assert_eq!(settled.volts, 14.4);
        assert!((settled.needed_a - 64.0).abs() < 1e-9 && settled.available_a == 90.0);
    }

    #[test]
    fn a_battery_above_the_setpoint_carries_the_loads_itself() {
        let settled = solve_bus(Nominal::V12, 13.0, |v| (v - 13.6) / 0.02, |_| 10.0, |_| 90.0);
        assert!((settled.volts - 13.4).abs() < 1e-6 && settled.alternator_a < 1e-3);
    }
}
