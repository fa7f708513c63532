//! Quantiles and spread of draws that do not all count alike.

/// The value below which a share `p` of the weight lies; NaN for no weight.
/// Values that are not finite weigh nothing. Between two values it is read off
/// the line through the middles of their weights.
pub fn weighted_quantile(values: &[f64], weights: &[f64], p: f64) -> f64 {
    let mut pairs: Vec<(f64, f64)> = values
        .iter()
        .copied()
        .zip(weights.iter().copied())
        .filter(|(v, w)| v.is_finite() && w.is_finite() && *w > 0.0)
        .collect();
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = pairs.iter().map(|p| p.1).sum();
    let wanted = p.clamp(0.0, 1.0) * total;
    let mut passed = 0.0;
    let mut last: Option<(f64, f64)> = None;
    for (value, weight) in pairs {
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

/// Independent draws that the weights are worth: (Σw)²/Σw² (Kish 1965).
pub fn effective_draws(weights: &[f64]) -> f64 {
    let (sum, squares) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    if squares > 0.0 { sum * sum / squares } else { 0.0 }
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
    fn draws_count_for_what_they_weigh() {
        assert_eq!(effective_draws(&[2.0; 8]), 8.0);
        assert_eq!(effective_draws(&[1.0, 0.0, 0.0]), 1.0);
        assert_eq!(effective_draws(&[]), 0.0);
    }
}
