//! Resistance of a cable from gauge and length.

use crate::assumptions::{CABLE_TEMPERATURE, STRANDED, TERMINALS};
use crate::car::cable::CableRun;
use crate::estimate::{Estimate, Grade};
use crate::physics::cable::{COPPER_PER_K, ohm_per_m};

/// Of one sound run of cable in a warm engine bay: from copper and geometry
/// (ASTM B258, IEC 60028), its 90 % interval from the table's ranges, each
/// independent of the others.
pub fn cable_ohm(run: &CableRun) -> Estimate {
    let solid_ohm = ohm_per_m(run.gauge.area_mm2(), 20.0) * run.length_m;
    let warm = |celsius: f64| 1.0 + COPPER_PER_K * (celsius - 20.0);
    let (coldest, hottest) = (warm(CABLE_TEMPERATURE.low()), warm(CABLE_TEMPERATURE.high()));
    let (warmth, warmth_half) = ((coldest + hottest) / 2.0, (hottest - coldest) / 2.0);
    let copper_ohm = solid_ohm * STRANDED.value * warmth;
    let share = (STRANDED.half_width() / STRANDED.value).hypot(warmth_half / warmth);
    Estimate::around(
        copper_ohm + TERMINALS.value,
        (copper_ohm * share).hypot(TERMINALS.half_width()),
        Grade::Inferred,
        format!("{run} of copper, stranded, 20 to 90 °C, with sound terminals"),
    )
}

/// `a` and `b` in a row.
pub fn in_series(a: &Estimate, b: &Estimate) -> Estimate {
    Estimate::around(
        a.value + b.value,
        a.half_width().hypot(b.half_width()),
        a.grade.max(b.grade),
        format!("{}; and {}", a.how, b.how),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(text: &str) -> CableRun {
        text.parse().expect("a cable")
    }

    /// By hand. NBS Handbook 100 (from memory): solid 4 AWG has 0.2485 Ω per
    /// 1000 ft at 20 °C, so 3.2 m = 10.499 ft has 2.609 mΩ, and 100 A lose
    /// 0.261 V in it: the least that such a cable can lose. Warm at 90 °C it is
    /// 1 + 0.00393·70 = 1.275 times that, 8 % for the strands 1.08 times, and two
    /// lugs add 0.3 mΩ: 3.893 mΩ, 0.389 V, is the most.
    #[test]
    fn four_gauge_over_3_2_m_by_hand() {
        let handbook_ohm = 0.2485 / 1000.0 * 3.2 / 0.3048;
        assert!((handbook_ohm * 100.0 - 0.2609_f64).abs() < 1e-4);
        let most_ohm = handbook_ohm * 1.2751 * 1.08 + 0.3e-3;
        assert!((most_ohm * 100.0 - 0.3893_f64).abs() < 1e-4);
        let said = cable_ohm(&run("4AWG:3.2m"));
        assert!(said.low > handbook_ohm && said.high < most_ohm, "{said:?}");
        // In the middle: 55 °C is 1.13755, strands 1.04, lugs 0.15 mΩ.
        assert!((said.value - (handbook_ohm * 1.13755 * 1.04 + 0.15e-3)).abs() < 2e-6, "{said:?}");
        // Half: 0.04/1.04 and 0.13755/1.13755 of 3.0866 mΩ, with 0.15 mΩ:
        // √(0.1187² + 0.3732² + 0.15²) = 0.4194 mΩ.
        assert!((said.half_width() - 0.4194e-3).abs() < 2e-6, "{said:?}");
        assert_eq!(said.grade, Grade::Inferred);
    }

    #[test]
    fn in_a_row_resistances_add() {
        let (a, b) = (cable_ohm(&run("25mm2:2m")), cable_ohm(&run("35mm2:0.5m")));
        let both = in_series(&a, &b);
        assert!((both.value - a.value - b.value).abs() < 1e-15);
        assert!(both.half_width() < a.half_width() + b.half_width());
    }
}
