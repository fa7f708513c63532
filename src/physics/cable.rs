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

/// Resistance in Ω of one meter of solid annealed copper of `area_mm2` at
/// `temperature_c` (IEC 60028). Stranded cable runs a few per cent higher.
pub fn ohm_per_m(area_mm2: f64, temperature_c: f64) -> f64 {
    COPPER_OHM_MM2_PER_M / area_mm2 * (1.0 + COPPER_PER_K * (temperature_c - 20.0))
}

/// Volts lost over `length_m` of cable that carries `amps_a`, one way: Ohm's law.
pub fn drop_v(area_mm2: f64, length_m: f64, amps_a: f64, temperature_c: f64) -> f64 {
    ohm_per_m(area_mm2, temperature_c) * length_m * amps_a
}

/// Insulation on a cable of `area_mm2`, mm (common practice, no source: 1 to 2 mm).
fn insulation_mm(area_mm2: f64) -> f64 {
    0.6 + 0.14 * area_mm2.sqrt()
}

/// Heat that a single cable gives off in still air, by convection and radiation,
/// W/(m²·K) of its surface (common practice, no source: 10 to 15).
const GIVEN_OFF_W_PER_M2_K: f64 = 10.0;
/// Copper strands with the air between them fill this share of their circle
/// (common practice, no source).
const STRANDS_FILL: f64 = 0.72;

/// The current in A at which a single cable in still air of `air_c` comes to
/// `limit_c`: what it turns to heat is what its surface gives off,
///
/// ```text
/// I²·R(limit) = h·π·D·(limit − air)      per meter
/// ```
///
/// 0 where the air is as hot as the limit. The cable maker's sheet decides.
pub fn ampacity_a(area_mm2: f64, air_c: f64, limit_c: f64) -> f64 {
    let strands_mm = (4.0 * area_mm2 / (std::f64::consts::PI * STRANDS_FILL)).sqrt();
    let surface_m2_per_m =
        std::f64::consts::PI * (strands_mm + 2.0 * insulation_mm(area_mm2)) / 1000.0;
    let heat_w_per_m = GIVEN_OFF_W_PER_M2_K * surface_m2_per_m * (limit_c - air_c).max(0.0);
    (heat_w_per_m / ohm_per_m(area_mm2, limit_c)).sqrt()
}
