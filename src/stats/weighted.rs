//! Weighted samples: quantiles, effective sample size and tempered weights.

/// The value below which a share `p` of the weight is; NaN for no weight.
/// Values that are not finite weigh nothing. Between two values it is read off
/// the line through the middles of their weights.
pub fn weighted_quantile(values: &[f64], weights: &[f64], p: f64) -> f64 {
    let [quantile] = weighted_quantiles(values, weights, [p]);
    quantile
}

/// Several of them, for which the values are put in order once.
pub fn weighted_quantiles<const N: usize>(
    values: &[f64],
    weights: &[f64],
    shares: [f64; N],
) -> [f64; N] {
    let mut pairs: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .filter(|(v, w)| v.is_finite() && w.is_finite() && *w > 0.0)
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = pairs.iter().map(|p| p.1).sum();
    shares.map(|p| quantile_of(&pairs, p, total))
}

/// `pairs` of value and weight, in order, weigh `total` together.
fn quantile_of(pairs: &[(f64, f64)], p: f64, total: f64) -> f64 {
    let wanted = p.clamp(0.0, 1.0) * total;
    let mut passed = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for &(value, weight) in pairs {
        let middle = passed + weight / 2.0;
        if middle >= wanted {
            return match last {
                Some((low, at)) if middle > at => {
                    low + (value - low) * (wanted - at) / (middle - at)
                }
                _ => value,
            };
        }
        last = Some((value, middle));
        passed += weight;
    }
    last.map_or(f64::NAN, |(value, _)| value)
}

/// Effective sample size of the weights, (Σw)²/Σw² (Kish 1965).
pub fn effective_sample_size(weights: &[f64]) -> f64 {
    let (sum, squares) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    if squares > 0.0 { sum * sum / squares } else { 0.0 }
}

/// Weights prior·exp(−deviance / 2T), summing to 1. T ≥ 1 is the lowest temperature with an
/// effective sample size of at least `least`, or of half the samples: a misspecified model
/// must not trust a handful of them. A deviance is −2 ln likelihood; one that is not finite
/// gives weight 0. All weights are 0 where no deviance is finite.
pub fn tempered(deviances: &[f64], prior: &[f64], least: f64) -> Vec<f64> {
    let raw = weights_at(deviances, prior, lowest_temperature(deviances, prior, least));
    let total: f64 = raw.iter().sum();
    if total > 0.0 { raw.into_iter().map(|w| w / total).collect() } else { raw }
}

/// The lowest temperature, from 1 up, with an effective sample size of at least `least` for
/// samples of equal prior weight.
pub fn least_temperature(deviances: &[f64], least: f64) -> f64 {
    lowest_temperature(deviances, &vec![1.0; deviances.len()], least)
}

/// Bisected to a hundredth, because the effective sample size may jump between temperatures.
fn lowest_temperature(deviances: &[f64], prior: &[f64], least: f64) -> f64 {
    const HOTTEST: f64 = 1e6;
    const STEP: f64 = 1.5;
    const NEAR: f64 = 1.01;
    let least = least.min(deviances.len() as f64 / 2.0);
    let enough =
        |temperature| effective_sample_size(&weights_at(deviances, prior, temperature)) >= least;
    let (mut cold, mut hot) = (1.0, 1.0);
    while hot < HOTTEST && !enough(hot) {
        (cold, hot) = (hot, hot * STEP);
    }
    while hot / cold > NEAR {
        let between = (cold * hot).sqrt();
        if enough(between) { hot = between } else { cold = between }
    }
    hot
}

fn weights_at(deviances: &[f64], prior: &[f64], temperature: f64) -> Vec<f64> {
    let best = deviances.iter().copied().filter(|m| m.is_finite()).fold(f64::INFINITY, f64::min);
    let weight = |(deviance, prior): (&f64, &f64)| match deviance.is_finite() {
        true => prior * (-(deviance - best) / (2.0 * temperature)).exp(),
        false => 0.0,
    };
    deviances.iter().zip(prior).map(weight).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_weights_give_plain_quantiles() {
        let values = [3.0, 1.0, 2.0];
        assert_eq!(weighted_quantile(&values, &[1.0; 3], 0.5), 2.0);
        assert_eq!(weighted_quantile(&values, &[1.0; 3], 0.0), 1.0);
        assert_eq!(weighted_quantile(&values, &[1.0; 3], 1.0), 3.0);
    }

    #[test]
    fn weight_pulls() {
        assert_eq!(weighted_quantile(&[1.0, 2.0], &[1.0, 0.0], 0.5), 1.0);
        assert!(weighted_quantile(&[1.0, 2.0], &[1.0, 9.0], 0.5) > 1.7);
        assert!(weighted_quantile(&[], &[], 0.5).is_nan());
        assert!(weighted_quantile(&[1.0], &[f64::NAN], 0.5).is_nan());
    }

    #[test]
    fn equal_weights_have_the_largest_effective_sample_size() {
        assert_eq!(effective_sample_size(&[2.0; 8]), 8.0);
        assert_eq!(effective_sample_size(&[1.0, 0.0, 0.0]), 1.0);
        assert_eq!(effective_sample_size(&[]), 0.0);
    }

    #[test]
    fn a_higher_deviance_gives_a_lower_weight() {
        let deviances: Vec<f64> = (0..400).map(|k| if k < 200 { 0.0 } else { 20.0 }).collect();
        let weights = tempered(&deviances, &[1.0; 400], 60.0);
        assert!(weights[0] > 1000.0 * weights[399]);
        assert!((weights.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(tempered(&[f64::INFINITY, f64::NAN], &[1.0; 2], 1.0).iter().all(|w| *w == 0.0));
    }

    #[test]
    fn a_sharp_likelihood_is_hotter_than_a_blunt_one() {
        let of = |scale: f64| -> f64 {
            let deviances: Vec<f64> = (0..400).map(|k| f64::from(k) * scale).collect();
            least_temperature(&deviances, 40.0)
        };
        assert_eq!(of(0.001), 1.0);
        assert!(of(5.0) > 9.0 * of(0.5) && of(0.5) > 1.0);
    }

    /// One sample that fits far better than all others must not decide alone.
    #[test]
    fn tempering_keeps_the_effective_sample_size() {
        let deviances: Vec<f64> = (0..400).map(|k| f64::from(k) * 5.0).collect();
        let cold = tempered(&deviances, &[1.0; 400], 1.0);
        let kept = tempered(&deviances, &[1.0; 400], 60.0);
        assert!(effective_sample_size(&cold) < 3.0);
        assert!((60.0..63.0).contains(&effective_sample_size(&kept)));
        assert!(kept[0] > kept[10]);
    }
}
