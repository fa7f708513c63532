//! Profile of each column of a sample, and the words in its name.

use super::dialect::Dialect;
use super::encoding::fold;
use super::header::{self, ColumnOrder, Layout};
use super::number;
use super::rank;
use super::sentinel;
use super::stamp::{self, Stamp};
use super::units::Unit;

#[derive(Debug, Clone, Default)]
pub struct Facts {
    pub filled: usize,
    pub missing: usize,
    pub numbers: Vec<f64>,
    pub cell_unit: Option<Unit>,
    pub switches: usize,
    /// Some switch words mean off, so that "low" means half speed.
    pub off_words: bool,
    pub stamps: Vec<Stamp>,
    /// Cells that are neither a number, a switch word nor a time.
    pub words: usize,
    pub word_example: Option<String>,
    /// Number of values from the top of the file, whose rows are consecutive.
    pub head: usize,
    /// Codes for "no value"; `numbers` contains none of them.
    pub codes: Vec<f64>,
    sorted: Vec<f64>,
}

impl Facts {
    /// Profiles every column of the rows in `texts` (aligned; the first starts at the first data
    /// row).
    pub fn of(dialect: &Dialect, layout: &Layout, texts: &[&str]) -> Vec<Facts> {
        let width = layout.width();
        let mut facts = vec![Facts::default(); width];
        let mut order: Option<ColumnOrder> = None;
        for text in texts {
            for row in dialect.reader(text).into_records().filter_map(Result::ok) {
                if let Some(again) = ColumnOrder::of(&row, layout) {
                    order = Some(again);
                    continue;
                }
                let row = match &order {
                    Some(order) => order.row(&row),
                    None => row,
                };
                let short = layout.short_rows && row.len() < width;
                if !header::fits(&row, width) && !short {
                    continue;
                }
                for (index, facts) in facts.iter_mut().enumerate() {
                    facts.take(row.get(index).unwrap_or(""), dialect.decimal);
                }
            }
            for facts in facts.iter_mut().filter(|facts| facts.head == 0) {
                facts.head = facts.numbers.len().max(facts.stamps.len());
            }
        }
        for facts in &mut facts {
            facts.codes = sentinel::codes(&facts.numbers);
            let before = facts.numbers.len();
            let is_code = |value: &&f64| facts.codes.contains(value);
            let in_head = facts.numbers.iter().take(facts.head).filter(is_code).count();
            facts.head -= in_head;
            facts.numbers.retain(|value| !facts.codes.contains(value));
            facts.filled -= before - facts.numbers.len();
            facts.missing += before - facts.numbers.len();
            facts.sorted = rank::sorted(facts.numbers.iter().copied());
        }
        facts
    }

    fn take(&mut self, cell: &str, decimal: u8) {
        if number::is_missing(cell) {
            self.missing += 1;
            return;
        }
        self.filled += 1;
        if let Some((value, unit)) = number::parse_with_unit(cell, decimal) {
            self.numbers.push(value);
            self.cell_unit = self.cell_unit.or(unit);
        } else if let Some(switch) = number::switch(cell) {
            self.switches += 1;
            self.off_words |= switch == number::Switch::Off;
        } else if let Some(stamp) = stamp::parse_any(cell) {
            self.stamps.push(stamp);
        } else {
            self.words += 1;
            if self.word_example.is_none() {
                self.word_example = Some(super::error::clip(cell));
            }
        }
    }

    /// Nearly every cell with a value is a number.
    pub fn is_numeric(&self) -> bool {
        !self.numbers.is_empty() && self.numbers.len() * 10 >= self.filled * 8
    }

    pub fn is_switched(&self) -> bool {
        self.switches > 0 && (self.switches + self.numbers.len()) * 10 >= self.filled * 9
    }

    pub fn is_clock(&self) -> bool {
        !self.stamps.is_empty() && self.stamps.len() * 10 >= self.filled * 8
    }

    pub fn quantile(&self, share: f64) -> Option<f64> {
        rank::quantile(&self.sorted, share)
    }

    pub fn median(&self) -> Option<f64> {
        self.quantile(0.5)
    }

    pub fn min(&self) -> Option<f64> {
        self.sorted.first().copied()
    }

    pub fn max(&self) -> Option<f64> {
        self.sorted.last().copied()
    }

    pub fn all_whole(&self) -> bool {
        self.numbers.iter().all(|value| value.fract() == 0.0)
    }

    pub fn share_within(&self, low: f64, high: f64) -> f64 {
        let within = self.numbers.iter().filter(|v| (low..=high).contains(*v)).count();
        within as f64 / self.numbers.len().max(1) as f64
    }
}

/// The words of a column name, prepared for the search of the vocabulary.
#[derive(Debug, Clone)]
pub struct Words {
    /// Lower case without accents; split at punctuation, case changes and digits.
    parted: Vec<String>,
    /// Split only at punctuation, because a case change may be within a word.
    whole: Vec<String>,
}

impl Words {
    pub fn of(name: &str) -> Words {
        let mut parted = String::with_capacity(name.len() + 8);
        let letters: Vec<char> = name.chars().take(200).collect();
        for (i, &c) in letters.iter().enumerate() {
            let before = i.checked_sub(1).and_then(|j| letters.get(j)).copied();
            let after = letters.get(i + 1).copied();
            if let Some(before) = before {
                let hump = c.is_uppercase()
                    && (before.is_lowercase()
                        || before.is_uppercase() && after.is_some_and(char::is_lowercase));
                let digit = c.is_ascii_digit() && before.is_alphabetic();
                if hump || digit {
                    parted.push(' ');
                }
            }
            parted.push(c);
        }
        Words { parted: tokens(&parted), whole: tokens(&letters.iter().collect::<String>()) }
    }

    pub fn is_empty(&self) -> bool {
        self.parted.is_empty()
    }

    pub fn tokens(&self) -> impl Iterator<Item = &str> {
        self.parted.iter().map(String::as_str)
    }

    /// Whether any of the patterns occurs: see [`Words::find`].
    pub fn has(&self, patterns: &str) -> bool {
        self.find(patterns).is_some()
    }

    /// The first of the patterns (separated by commas) that occurs, without its mark: `=word` is
    /// a whole word, `^word` its beginning, `word$` its end, and plain any part of a word. Blanks
    /// in a pattern separate neighboring words, the last of which may be longer unless the
    /// pattern is marked.
    pub fn find<'p>(&self, patterns: &'p str) -> Option<&'p str> {
        patterns.split(',').map(str::trim).find_map(|pattern| {
            let (fits, word): (fn(&str, &str) -> bool, &str) =
                if let Some(word) = pattern.strip_prefix('=') {
                    (|token, word| token == word, word)
                } else if let Some(word) = pattern.strip_prefix('^') {
                    (|token, word| token.starts_with(word), word)
                } else if let Some(word) = pattern.strip_suffix('$') {
                    (|token, word| token.ends_with(word), word)
                } else if pattern.contains(' ') {
                    (|token, word| token.starts_with(word), pattern)
                } else {
                    (|token, word| token.contains(word), pattern)
                };
            let (first, last) = word.rsplit_once(' ').unwrap_or(("", word));
            let first: Vec<&str> = first.split_whitespace().collect();
            let is_found = |tokens: &Vec<String>| {
                tokens.windows(first.len() + 1).any(|window| {
                    window.iter().zip(&first).all(|(token, word)| token == word)
                        && window.last().is_some_and(|token| fits(token, last))
                })
            };
            (is_found(&self.parted) || is_found(&self.whole)).then_some(word)
        })
    }
}

fn tokens(name: &str) -> Vec<String> {
    let folded = fold(name).replace("a/c", "aircon").replace("b+", "bplus");
    folded
        .split(|c: char| !c.is_alphanumeric())
        .filter(|t| !t.is_empty())
        .map(str::to_owned)
        .collect()
}
