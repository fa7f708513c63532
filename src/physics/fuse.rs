//! The fuse at the battery's end of a charging cable: it protects the cable, not the alternator.

/// Bolt-down fuses as they are sold, A (common practice, no source).
pub const SIZES_A: [f64; 15] = [
    40.0, 50.0, 60.0, 70.0, 80.0, 100.0, 125.0, 150.0, 175.0, 200.0, 225.0, 250.0, 300.0, 350.0,
    400.0,
];

/// A fuse that carries a current for hours carries no more than this share of its
/// rating (common practice, no source: 80 %).
pub const STEADY_SHARE: f64 = 0.8;

/// The smallest fuse that carries `steady_a` for hours and that a cable good for
/// `cable_a` outlives. `None` where no size is between the two: then the cable is
/// too thin for that alternator.
pub fn fuse_a(steady_a: f64, cable_a: f64) -> Option<f64> {
    SIZES_A.into_iter().find(|&size_a| size_a * STEADY_SHARE >= steady_a && size_a <= cable_a)
}
