//! A comparison as it was written, against the same made again from the logs.

use serde_json::Value;

/// A value that was not reproduced.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// "afters[0].points[2].change_v.value"
    pub place: String,
    pub written: String,
    pub again: String,
}

/// Every place where `written` says something else than `again`, in the order of
/// the text, and how many values were compared.
pub fn differences(written: &Value, again: &Value) -> (Vec<Difference>, usize) {
    let mut walk = Walk::default();
    walk.step(String::new(), Some(written), Some(again));
    (walk.found, walk.compared)
}

#[derive(Default)]
struct Walk {
    found: Vec<Difference>,
    compared: usize,
}

impl Walk {
    fn step(&mut self, place: String, written: Option<&Value>, again: Option<&Value>) {
        match (written, again) {
            (Some(Value::Object(a)), Some(Value::Object(b))) => {
                let added = b.keys().filter(|key| !a.contains_key(*key));
                for key in a.keys().chain(added) {
                    let dot = if place.is_empty() { "" } else { "." };
                    self.step(format!("{place}{dot}{key}"), a.get(key), b.get(key));
                }
            }
            (Some(Value::Array(a)), Some(Value::Array(b))) => {
                for k in 0..a.len().max(b.len()) {
                    self.step(format!("{place}[{k}]"), a.get(k), b.get(k));
                }
            }
            (a, b) => {
                self.compared += 1;
                if a != b {
                    let (written, again) = (shown(a), shown(b));
                    self.found.push(Difference { place, written, again });
                }
            }
        }
    }
}

/// A value in few words.
fn shown(value: Option<&Value>) -> String {
    const MOST: usize = 80;
    match value {
        None => "nothing".to_owned(),
        Some(value) => crate::format::shorten(&value.to_string(), MOST),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_digit_a_missing_row_and_a_new_word_are_named() {
        let written = json!({"a": {"v": [1.23, 2.0]}, "word": "pass", "rows": [1]});
        let again = json!({"a": {"v": [1.24, 2.0]}, "word": "pass", "rows": []});
        let (found, compared) = differences(&written, &again);
        let places: Vec<&str> = found.iter().map(|d| d.place.as_str()).collect();
        assert_eq!(places, ["a.v[0]", "rows[0]"]);
        assert_eq!((found[0].written.as_str(), found[0].again.as_str()), ("1.23", "1.24"));
        assert_eq!(found[1].again, "nothing");
        assert_eq!(compared, 4);
    }
}
