//! Adaptive importance sampling: a first round from the prior, later rounds from a proposal
//! fitted to the weighted samples so far, until the effective sample size is large enough.
//!
//! Each sample is weighted by prior × tempered likelihood ÷ the mixture density of all rounds
//! (deterministic mixture weights: Cornuet, Marin, Mira and Robert, Scand. J. Stat. 39, 2012;
//! from memory). The tempering is set by the first round and kept.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::inference::ensemble::{EnsembleRun, run_ensemble};
use crate::inference::likelihood::CurrentBalance;
use crate::inference::prior::{LATENT_DIMENSIONS, LatentPoint, ParameterSample, Prior};
use crate::inference::proposal::StudentTProposal;
use crate::log::{Log, Span};
use crate::stats::weighted::{effective_sample_size, least_temperature, tempered};

const SEED: u64 = 0x5717_fb05;
/// Samples of the first round, and of each later one.
const FIRST_ROUND: usize = 1000;
const LATER_ROUND: usize = 500;
const MAX_ROUNDS: usize = 4;
/// Sampling stops at this effective sample size.
const ENOUGH: f64 = 250.0;
/// With a smaller one in the end, the likelihood is tempered further.
const LEAST: f64 = 100.0;
/// Correlations of the proposal are shrunk: few samples overstate them.
const SHRINKAGE: f64 = 0.95;

/// Samples of the battery's posterior: each driven by the log's voltage over `windows`, and
/// weighted. Deterministic: the random seed is fixed.
pub fn posterior(
    log: &Log,
    prior: &Prior,
    windows: &[Span],
    balance: &CurrentBalance,
) -> (Vec<ParameterSample>, EnsembleRun) {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut proposals: Vec<(usize, StudentTProposal<LATENT_DIMENSIONS>)> = Vec::new();
    let (mut points, mut deviances): (Vec<LatentPoint>, Vec<f64>) = (Vec::new(), Vec::new());
    let (mut draws, mut ensemble) = (Vec::new(), EnsembleRun::default());
    let mut next = Some((FIRST_ROUND, StudentTProposal::standard()));
    let mut temperature = 1.0;
    while let Some((count, proposal)) = next {
        let new: Vec<LatentPoint> = (0..count).map(|_| proposal.draw(&mut rng)).collect();
        let new_draws: Vec<ParameterSample> = new.iter().map(|point| prior.at(point)).collect();
        let run = run_ensemble(log, &new_draws, windows);
        deviances.extend(run.deviances(&new_draws, balance));
        if proposals.is_empty() {
            temperature =
                least_temperature(&deviances, balance.least_effective_share() * FIRST_ROUND as f64);
        }
        ensemble.extend(run);
        draws.extend(new_draws);
        points.extend(new);
        proposals.push((count, proposal));
        let importance = importance_ratios(&points, &proposals);
        let tempered_deviances: Vec<f64> =
            deviances.iter().map(|deviance| deviance / temperature).collect();
        ensemble.weights = tempered(&tempered_deviances, &importance, LEAST);
        let settled = effective_sample_size(&ensemble.weights) >= ENOUGH;
        next = (!settled && proposals.len() < MAX_ROUNDS)
            .then(|| StudentTProposal::fitted(&points, &ensemble.weights, SHRINKAGE))
            .flatten()
            .map(|proposal| (LATER_ROUND, proposal));
    }
    (draws, ensemble)
}

/// Prior density of each point over the mixture density of all rounds.
fn importance_ratios(
    points: &[LatentPoint],
    proposals: &[(usize, StudentTProposal<LATENT_DIMENSIONS>)],
) -> Vec<f64> {
    let standard = StudentTProposal::<LATENT_DIMENSIONS>::standard();
    let ratio = |point: &LatentPoint| {
        let here = standard.ln_density(point);
        let drawn = proposals
            .iter()
            .map(|(count, proposal)| *count as f64 * (proposal.ln_density(point) - here).exp());
        points.len() as f64 / drawn.sum::<f64>()
    };
    points.iter().map(ratio).collect()
}
