//! Order statistics by nearest rank: values that the column holds, never means of two.

/// The values in rising order, without those that are NaN.
pub fn sorted(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.into_iter().filter(|value| !value.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// The value below which `share` (0 to 1) of sorted values lie.
pub fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    sorted.get((share.clamp(0.0, 1.0) * last as f64).round() as usize).copied()
}

/// The middle value, or the upper of the two in the middle. NaN does not count.
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut known: Vec<f64> = values.into_iter().filter(|value| !value.is_nan()).collect();
    let last = known.len().checked_sub(1)?;
    Some(*known.select_nth_unstable_by(last.div_ceil(2), f64::total_cmp).1)
}

pub fn steps(values: &[f64]) -> impl Iterator<Item = f64> {
    values.iter().zip(values.iter().skip(1)).map(|(before, after)| after - before)
}
