//! Hours, minutes and seconds as one number: 143059 is followed by 143100.

use crate::ingest::axis::median;

/// Seconds since midnight; `None` where a part of the number is none of a clock.
pub fn seconds(packed: f64) -> Option<f64> {
    let whole = packed.floor();
    let (hours, minutes, seconds) = (whole / 10_000.0, whole / 100.0 % 100.0, whole % 100.0);
    let is_clock = (0.0..24.0).contains(&hours) && minutes < 60.0 && seconds < 60.0;
    is_clock.then(|| 3600.0 * hours.floor() + 60.0 * minutes.floor() + packed % 100.0)
}

/// The column in seconds, if it is such a clock: all its numbers could be one, and where a
/// plain count would jump from 59 to 100, this one goes on at its own pace.
pub fn unpacked(numbers: &[f64]) -> Option<Vec<f64>> {
    let all: Vec<f64> = numbers.iter().map(|packed| seconds(*packed)).collect::<Option<_>>()?;
    let mut ticks: Vec<f64> =
        all.windows(2).map(|pair| pair[1] - pair[0]).filter(|step_s| *step_s > 0.0).collect();
    let pace_s = median(&mut ticks)?;
    let mut counts: Vec<f64> =
        numbers.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 0.0).collect();
    let usual = median(&mut counts)?;
    let (mut carries, mut jumps) = (0, 0);
    for (pair, plain) in all.windows(2).zip(numbers.windows(2)) {
        let (step_s, plain_step) = (pair[1] - pair[0], plain[1] - plain[0]);
        let carried = plain_step > (step_s + 30.0).max(1.5 * usual);
        carries += usize::from(carried && step_s <= 3.0 * pace_s + 1.0);
        jumps += usize::from(step_s < 0.0);
    }
    (carries > 0 && jumps <= 1 + all.len() / 500).then_some(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_packed_time_of_day_is_told_from_a_count() {
        let day: Vec<f64> =
            (50..70).map(|s: i32| f64::from(93_000 + s % 60 + 100 * (s / 60))).collect();
        let seconds: Vec<f64> = (0..20).map(|s| 9.5 * 3600.0 + 50.0 + f64::from(s)).collect();
        assert_eq!(unpacked(&day), Some(seconds));
        // Seconds, a row a minute, and a row every hundred counts.
        for each in [1.0, 60.0, 100.0] {
            let count: Vec<f64> = (0..200).map(|k| each * f64::from(k)).collect();
            assert_eq!(unpacked(&count), None, "{each}");
        }
    }
}
