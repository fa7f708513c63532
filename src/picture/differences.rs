//! A series as text, small enough to be in a page twice: whole steps, each as its difference from
//! the one before. Logged values change little from sample to sample, so most take one letter.
//!
//! - A difference is written in base 64 (the alphabet of RFC 4648), five bits a
//!   letter, the lowest bits first; 32 is added to every letter but the last. The
//!   lowest bit of all is the sign: odd is negative. The first value differs from 0.
//! - `!` is a sample without a value; the next difference is from the last value.
//! - `*` and a number (written as a difference is) says how often what stands before
//!   it comes again.

const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
const NO_VALUE: &str = "!";

pub fn encode(steps: impl IntoIterator<Item = Option<i64>>) -> String {
    let mut text = String::new();
    let mut last = 0;
    let mut before = String::new();
    let mut again: i64 = 0;
    for step in steps {
        let token = match step {
            Some(step) => {
                let difference = step.wrapping_sub(last);
                last = step;
                number(difference)
            }
            None => NO_VALUE.to_owned(),
        };
        if token == before {
            again += 1;
            continue;
        }
        repeat(&mut text, &before, again);
        text.push_str(&token);
        (before, again) = (token, 0);
    }
    repeat(&mut text, &before, again);
    text
}

fn repeat(text: &mut String, token: &str, again: i64) {
    let told = format!("*{}", number(again));
    let spelled = token.len().saturating_mul(again as usize);
    if spelled <= told.len() {
        (0..again).for_each(|_| text.push_str(token));
    } else {
        text.push_str(&told);
    }
}

fn number(value: i64) -> String {
    let mut rest = (value.unsigned_abs() << 1) | u64::from(value < 0);
    let mut letters = String::new();
    loop {
        let more = if rest >= 32 { 32 } else { 0 };
        let digit = DIGITS.get((rest % 32 + more) as usize).copied().unwrap_or(b'A');
        letters.push(char::from(digit));
        rest /= 32;
        if more == 0 {
            return letters;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::encode;

    #[test]
    fn small_differences_take_a_letter_and_repeats_are_counted() {
        // 0 is A, 1 is C, −1 is D, 15 is e; 16 needs two letters: 32 is 0 and a carry.
        assert_eq!(encode([0, 1, 0, 15, 31].map(Some)), "ACDegB");
        assert_eq!(encode([7; 9].map(Some)), "OA*O");
        assert_eq!(encode([Some(1), None, None, Some(2)]), "C!!C");
        assert_eq!(encode([10, 20, 30, 40, 50, 60].map(Some)), "U*K");
        assert_eq!(encode([]), "");
    }

    #[test]
    fn the_farthest_values_are_written() {
        assert!(!encode([i64::MAX, i64::MIN, 0].map(Some)).is_empty());
    }
}
