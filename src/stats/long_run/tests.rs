use super::*;
use crate::stats::fit::cholesky::Cholesky;
use crate::stats::moments::mean;
use crate::stats::quantization::{Scatter, mean_half_width};
use crate::stats::test_noise::{self, rng};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

const LIMITS: SearchLimits = SearchLimits { longest: 100.0, usual: 20.0, least_usual: 0.0 };

fn noise(shape: Shape, n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut normal = || test_noise::normal(rng);
    let mut slow = normal();
    (0..n)
        .map(|_| {
            slow = shape.rho * slow + (1.0 - shape.rho * shape.rho).sqrt() * normal();
            shape.slow_share.sqrt() * slow + (1.0 - shape.slow_share).sqrt() * normal()
        })
        .collect()
}

/// Against the sum over all pairs: Σᵢⱼ ρ(|i − j|)/n.
#[test]
fn the_mean_of_a_window_is_as_uncertain_as_its_pairs_say() {
    for shape in [Shape::WHITE, Shape { slow_share: 0.6, rho: 0.9 }] {
        for n in [1usize, 2, 17] {
            let pair = |i: usize, j: usize| match i.abs_diff(j) {
                0 => 1.0,
                lag => shape.slow_share * shape.rho.powi(lag as i32),
            };
            let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
            let known = pairs.map(|(i, j)| pair(i, j)).sum::<f64>() / n as f64;
            assert!((shape.mean_time(n as f64) - known).abs() < 1e-9, "{shape:?} {n}");
        }
        let again = Shape::of_time(shape.time(), shape.slow_share);
        assert!((again.rho - shape.rho).abs() < 1e-12);
    }
}

/// The innovations' way is that of the dense covariance: y'V⁻¹y and |V|, of two readings
/// about a level, by hand: (y₂ − y₁)²/(2(1 − aρ)).
#[test]
fn two_readings_differ_by_their_correlation() {
    let shape = Shape { slow_share: 0.5, rho: 0.8 };
    let residue = Piece::new(&[14.0, 14.3], 0, &[]).residue(shape).expect("a residue");
    assert_eq!(residue.dof, 1.0);
    assert!((residue.squares - 0.09 / (2.0 * (1.0 - 0.4))).abs() < 1e-12);
    let dense = Cholesky::new(&[1.0, 0.4, 0.4, 1.0], 2).expect("a covariance");
    // 1'V⁻¹1 = 2/(1 + aρ).
    let known = -0.5 * (dense.log_determinant() + (2.0f64 / 1.4).ln());
    assert!((residue.log_determinants - known).abs() < 1e-9);
}

#[test]
fn a_gap_takes_a_reading_and_nothing_else() {
    let mut rng = rng(3);
    let shape = Shape { slow_share: 0.8, rho: 0.7 };
    let mut x = noise(shape, 400, &mut rng);
    let whole = Piece::new(&x, 2, &[]).residue(shape).expect("a residue");
    x[100] = f64::NAN;
    let holed = Piece::new(&x, 2, &[]).residue(shape).expect("a residue");
    assert_eq!(holed.dof, whole.dof - 1.0);
    assert!((holed.variance() / whole.variance() - 1.0).abs() < 0.02);
}

/// One log after another: fourteen pieces of 8 to 40 s that settle from a level to
/// another, ten samples a second. How often does the mean of 5 s lie in its interval?
fn coverage(shape: Shape, settling: f64, seed: u64) -> f64 {
    let mut rng = rng(seed);
    let (mut held, mut all) = (0, 0);
    for _ in 0..40 {
        let raw: Vec<(Vec<f64>, Vec<f64>)> = (0..14)
            .map(|_| {
                let n = rng.random_range(80..400);
                let height = test_noise::normal(&mut rng);
                let (height, time) = (settling * height, rng.random_range(80.0..180.0));
                let level: Vec<f64> =
                    (0..n).map(|k| height * (-f64::from(k) / time).exp()).collect();
                let noise = noise(shape, level.len(), &mut rng);
                let readings = level.iter().zip(noise).map(|(l, e)| l + e).collect();
                (level, readings)
            })
            .collect();
        let pieces: Vec<Piece> = raw
            .iter()
            .map(|(_, readings)| Piece::new(readings, 2 + readings.len() / 200, &[]))
            .collect();
        let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
        let scatter = Scatter { sigma: found.sigma, shape: found.shape, dof: found.long_run_dof };
        let half = mean_half_width(50, &scatter, None, 0.9);
        for (level, readings) in &raw {
            let from = level.len() - 50;
            held += usize::from((mean(&readings[from..]) - mean(&level[from..])).abs() <= half);
            all += 1;
        }
    }
    f64::from(held as u32) / f64::from(all)
}

#[test]
fn ninety_per_cent_is_ninety_per_cent_at_every_memory() {
    for (k, (share, samples)) in
        [(0.0, 1.0), (1.0, 3.0), (0.3, 10.0), (1.0, 10.0), (0.5, 20.0), (1.0, 20.0), (1.0, 40.0)]
            .into_iter()
            .enumerate()
    {
        let shape = Shape { slow_share: share, rho: (-1.0f64 / samples).exp() };
        for settling in [0.0, 8.0] {
            let c = coverage(shape, settling, 500 + k as u64);
            assert!((0.87..=0.975).contains(&c), "{share} for {samples}, {settling}: {c}");
        }
    }
}

#[test]
fn what_moved_for_another_reason_is_left_out() {
    let mut rng = rng(9);
    let mut raw: Vec<Vec<f64>> = (0..10).map(|_| noise(Shape::WHITE, 100, &mut rng)).collect();
    raw[3][50..].iter_mut().for_each(|v| *v += 20.0);
    let pieces: Vec<Piece> = raw.iter().map(|x| Piece::new(x, 1, &[])).collect();
    let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
    assert_eq!(found.kept.iter().filter(|kept| !**kept).count(), 1);
    assert!(!found.kept[3] && (found.sigma - 1.0).abs() < 0.1, "{found:?}");
    assert!(found.shape.time() < 1.3, "{found:?}");
}

#[test]
fn another_channel_is_no_noise() {
    let mut rng = rng(10);
    let slow = Shape { slow_share: 1.0, rho: 0.98 };
    let pieces: Vec<Piece> = (0..10)
        .map(|_| {
            let other = noise(slow, 200, &mut rng);
            let own = noise(Shape::WHITE, 200, &mut rng);
            let readings: Vec<f64> = own.iter().zip(&other).map(|(e, o)| e + 5.0 * o).collect();
            Piece::new(&readings, 1, &[&other])
        })
        .collect();
    let found = PooledNoise::of(&pieces, &LIMITS).expect("noise");
    assert!((found.sigma - 1.0).abs() < 0.06 && found.shape.time() < 1.3, "{found:?}");
}

#[test]
fn pieces_that_differ_agree_less() {
    let mut rng = rng(11);
    let mut pieces = |spread: f64| -> Vec<Piece> {
        (0..30)
            .map(|k| {
                let by = if k % 2 == 0 { 1.0 } else { spread };
                let x: Vec<f64> =
                    noise(Shape::WHITE, 100, &mut rng).iter().map(|e| by * e).collect();
                Piece::new(&x, 1, &[])
            })
            .collect()
    };
    let alike = PooledNoise::of(&pieces(1.0), &LIMITS).expect("noise");
    assert!(alike.agreement > 60.0, "{alike:?}");
    let apart = PooledNoise::of(&pieces(1.8), &LIMITS).expect("noise");
    assert!(apart.agreement < 15.0, "{apart:?}");
}

#[test]
fn nothing_to_see_says_so() {
    assert_eq!(PooledNoise::of(&[], &LIMITS), None);
    assert_eq!(PooledNoise::of(&[Piece::new(&[14.0], 0, &[])], &LIMITS), None);
    let flat = PooledNoise::of(&[Piece::new(&[14.0; 50], 1, &[])], &LIMITS).expect("noise");
    assert_eq!((flat.sigma, flat.shape), (0.0, Shape::WHITE));
}
