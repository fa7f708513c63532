//! Copper cable: gauge, cross-section, resistance.

/// Resistivity of annealed copper at 20 °C in Ω·mm²/m (IACS; IEC 60028).
pub const COPPER_OHM_MM2_PER_M: f64 = 0.017241;
/// Temperature coefficient of annealed copper at 20 °C, per kelvin (IEC 60028).
pub const COPPER_PER_K: f64 = 0.00393;

/// Diameter in mm of a solid wire of the American wire gauge:
/// 0.127 mm × 92^((36 − n)/39), exact by ASTM B258. Gauges 1/0, 2/0, 3/0, 4/0
/// are n = 0, −1, −2, −3.
pub fn awg_diameter_mm(gauge: i32) -> f64 {
    0.127 * 92f64.powf((36.0 - f64::from(gauge)) / 39.0)
}

/// Cross-section in mm² of a solid wire of that gauge (ASTM B258).
pub fn awg_area_mm2(gauge: i32) -> f64 {
    std::f64::consts::PI / 4.0 * awg_diameter_mm(gauge).powi(2)
}

/// Resistance in Ω of one metre of solid annealed copper of `area_mm2` at
/// `temperature_c` (IEC 60028). Stranded cable runs a few per cent higher.
pub fn ohm_per_m(area_mm2: f64, temperature_c: f64) -> f64 {
    COPPER_OHM_MM2_PER_M / area_mm2 * (1.0 + COPPER_PER_K * (temperature_c - 20.0))
}
