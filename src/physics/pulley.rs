//! Pulleys and belt: how fast the alternator turns.

/// Alternator speed over engine speed: the belt runs as fast over both pulleys,
/// π·D·n = π·d·N, so N/n = D/d. Effective diameters in mm.
pub fn ratio(crank_mm: f64, alternator_mm: f64) -> f64 {
    crank_mm / alternator_mm
}

/// Highest speed of an alternator whose sheet states none (common practice, no source; many
/// are limited to 15,000 rpm).
pub const MOST_RPM: f64 = 18_000.0;

/// Ratios that belts are driven at (common practice, no source: 2:1 to 3:1);
/// above it the small pulley has little wrap, and a belt that holds cold slips
/// hot.
pub const USUAL_RATIOS: std::ops::RangeInclusive<f64> = 2.0..=3.0;

/// No car's alternator is driven outside of these.
pub const SANE_RATIOS: std::ops::RangeInclusive<f64> = 0.8..=6.0;
