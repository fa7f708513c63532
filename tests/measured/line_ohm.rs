//! Resistance of the charging line, there, back and both, from taps and a clamp
//! that are all a little off in ways that the tool cannot see.
//!
//! How far voltage channels are off is common practice, no source: ±0.2 % and
//! ±20 mV, anything within being as likely. The clamp is a random car's.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use stiffbus::car::Car;
use stiffbus::demo::logger::{Channel, Shows};
use stiffbus::demo::simulate::simulate;
use stiffbus::diagnosis::{Diagnosis, Side};
use stiffbus::estimate::Estimate;
use stiffbus::log::Tap;

use crate::figures::{Tally, diagnose};
use crate::random_car::{Case, Options, random_case_with};
use crate::sample::{cars, covers_as_stated};

const SEEDS: std::ops::Range<u64> = 7000..7120;

/// A random car with a line of 0.5 to 20 mΩ, as many in each octave, a tap at
/// either end and one along the ground.
fn case(seed: u64) -> Case {
    let options = Options {
        declared: Some(true),
        alternator_current_logged: Some(true),
        rpm_logged: Some(true),
        ..Options::default()
    };
    let Case { mut car, script, mut logger, .. } = random_case_with(seed, &options);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(501);
    car.alternator_line_ohm = 0.0005 * 40f64.powf(rng.random_range(0.0..1.0));
    car.ground_share = rng.random_range(0.15..0.6);
    let step_v = logger.channels[0].resolution / logger.channels[0].scale;
    let post = Shows::Voltage(Tap::Alternator);
    logger.channels.push(Channel::new(post, "alternator voltage", "V", step_v));
    let leads = if rng.random_bool(0.3) { -1.0 } else { 1.0 };
    let ground = Channel::new(Shows::Ground, "engine ground", "V", 0.001).noisy(0.002);
    logger.channels.push(ground.scaled(leads, 0.0, 0.001));
    for channel in &mut logger.channels {
        let (gain, zero) = match channel.shows {
            Shows::Voltage(_) => (0.002, 0.020),
            Shows::Ground => (0.01, 0.020),
            _ => continue,
        };
        channel.offset += rng.random_range(-zero..zero) * channel.scale;
        channel.scale *= 1.0 + rng.random_range(-gain..gain);
    }
    let simulated = simulate(&car, &script, &logger, seed);
    Case { seed, car, script, logger, simulated }
}

fn ohm(said: &Diagnosis, side: Side) -> Option<&Estimate> {
    said.line_drop.iter().find(|d| d.side == side)?.resistance_ohm.as_ref()
}

#[derive(Default)]
struct Side3 {
    covered: Tally,
    errors: Vec<f64>,
    untold: usize,
}

fn tally() -> [Side3; 3] {
    let share = |first: u64| {
        let mut sides: [Side3; 3] = Default::default();
        for seed in (SEEDS.start + first..cars(SEEDS).end).step_by(2) {
            let case = case(seed);
            let said = diagnose(&case, &Car::default());
            let (all, back) = (case.car.alternator_line_ohm, case.car.ground_share);
            let truths =
                [(Side::Loop, all), (Side::Supply, (1.0 - back) * all), (Side::Ground, back * all)];
            for (kept, (side, truth)) in sides.iter_mut().zip(truths) {
                match ohm(&said, side) {
                    Some(found) => {
                        kept.covered.add_interval(found.contains(truth), found.high - found.low);
                        kept.errors.push((found.value - truth).abs() / truth);
                        if !found.contains(truth) {
                            println!("seed {seed} {side:?}: {truth:.5} outside {found:?}");
                        }
                    }
                    None => kept.untold += 1,
                }
            }
        }
        sides
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| share(1));
        let mut sides = share(0);
        for (mine, theirs) in sides.iter_mut().zip(other.join().expect("no case panics")) {
            mine.covered.merge(theirs.covered);
            mine.errors.extend(theirs.errors);
            mine.untold += theirs.untold;
        }
        sides
    })
}

#[test]
fn the_lines_resistance_lies_in_its_interval() {
    for (side, mut kept) in ["loop", "supply", "ground"].into_iter().zip(tally()) {
        kept.errors.sort_by(f64::total_cmp);
        let error = kept.errors[kept.errors.len() / 2];
        println!(
            "line resistance, {side}: {}, median error {:.1} %, not told {}",
            kept.covered,
            100.0 * error,
            kept.untold
        );
        let covered = &kept.covered;
        assert!(covers_as_stated(covered.share(), covered.count()), "{side}: {covered}");
        assert!(kept.untold <= 3, "{side}: {}", kept.untold);
    }
}
