//! Rounds of draws: batteries at large first, then ever closer around those whose
//! currents keep the balance, until enough of them count. Every draw weighs as
//! belief times likelihood over how densely its place was drawn, so that looking
//! closer changes what is known, not what is believed. How far the likelihood is
//! trusted is settled by the batteries at large, once for all rounds.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::analysis::balance::Balance;
use crate::analysis::observer::{Observed, observe};
use crate::analysis::prior::{COORDINATES, Draw, Place, Prior};
use crate::log::{Log, Span};
use crate::stats::cloud::Cloud;
use crate::stats::weighted::{effective_draws, temperature, tempered};

const SEED: u64 = 0x5717_fb05;
/// Batteries of the first round, and of each later one.
const AT_LARGE: usize = 1000;
const EACH: usize = 500;
const MOST_ROUNDS: usize = 4;
/// No more rounds once so many draws count.
const ENOUGH: f64 = 250.0;
/// With fewer in the end, their weights are flattened further.
const LEAST: f64 = 100.0;
/// Few points overstate how their coordinates go together.
const TRUST: f64 = 0.95;

/// Batteries that this one could be, each driven by the log's voltage and weighed.
pub fn batteries(
    log: &Log,
    prior: &Prior,
    windows: &[Span],
    balance: &Balance,
) -> (Vec<Draw>, Observed) {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut clouds: Vec<(usize, Cloud<COORDINATES>)> = Vec::new();
    let (mut places, mut misfits): (Vec<Place>, Vec<f64>) = (Vec::new(), Vec::new());
    let (mut draws, mut observed) = (Vec::new(), Observed::default());
    let mut next = Some((AT_LARGE, Cloud::standard()));
    let mut trusted = 1.0;
    while let Some((count, cloud)) = next {
        let new: Vec<Place> = (0..count).map(|_| cloud.draw(&mut rng)).collect();
        let new_draws: Vec<Draw> = new.iter().map(|place| prior.at(place)).collect();
        let seen = observe(log, &new_draws, windows);
        misfits.extend(seen.misfits(&new_draws, balance));
        if clouds.is_empty() {
            trusted = temperature(&misfits, balance.counting() * AT_LARGE as f64);
        }
        observed.extend(seen);
        draws.extend(new_draws);
        places.extend(new);
        clouds.push((count, cloud));
        let believed = believed(&places, &clouds);
        let flattened: Vec<f64> = misfits.iter().map(|misfit| misfit / trusted).collect();
        observed.weights = tempered(&flattened, &believed, LEAST);
        let settled = effective_draws(&observed.weights) >= ENOUGH;
        next = (!settled && clouds.len() < MOST_ROUNDS)
            .then(|| Cloud::around(&places, &observed.weights, TRUST))
            .flatten()
            .map(|cloud| (EACH, cloud));
    }
    (draws, observed)
}

/// How densely each place is believed in, over how densely all rounds drew there.
fn believed(places: &[Place], clouds: &[(usize, Cloud<COORDINATES>)]) -> Vec<f64> {
    let standard = Cloud::<COORDINATES>::standard();
    let weigh = |place: &Place| {
        let here = standard.ln_density(place);
        let drawn = clouds
            .iter()
            .map(|(count, cloud)| *count as f64 * (cloud.ln_density(place) - here).exp());
        places.len() as f64 / drawn.sum::<f64>()
    };
    places.iter().map(weigh).collect()
}
