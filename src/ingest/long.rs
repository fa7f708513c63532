//! Converts long tables, which have one reading per row in columns for time, channel, value and
//! perhaps unit.
//!
//! The table gets one column per channel, still with one reading per row, so that line numbers
//! stay the same. The later steps support interleaved rows.

use std::collections::{BTreeMap, BTreeSet};

use super::dialect::Dialect;
use super::header::{self, Heading, Layout};
use super::profile::{Facts, Words};
use super::units::Unit;
use super::vocabulary as vocab;

/// With more different words than this, the column does not hold channel names.
const MOST_CHANNELS: usize = 200;
/// Minimum number of readings per channel.
const LEAST_READINGS: usize = 3;

/// The same log with a column for each channel; `None` if the table is not long.
pub fn widened(dialect: &Dialect, layout: &Layout, facts: &[Facts], text: &str) -> Option<String> {
    let shape = Shape::of(layout, facts)?;
    let body = text.get(layout.body_byte..)?;
    let mut channels: BTreeMap<(String, String), (usize, usize)> = BTreeMap::new();
    for row in dialect.reader(body).into_records().filter_map(Result::ok) {
        if let Some(key) = shape.key(&row) {
            let next = channels.len();
            channels.entry(key).or_insert((next, 0)).1 += 1;
        }
    }
    if !shape.is_named && !are_channels_by_unit(channels.keys()) {
        return None;
    }
    let often = channels.values().filter(|(_, count)| *count >= LEAST_READINGS).count();
    if !(2..=MOST_CHANNELS).contains(&channels.len()) || 2 * often < channels.len() {
        return None;
    }
    let kept = shape.kept(layout.width());
    let mut writer = csv::WriterBuilder::new()
        .delimiter(dialect.byte())
        .flexible(true)
        .from_writer(Vec::with_capacity(body.len() * 2));
    let name = |index: &usize| layout.headings.get(*index).map_or("", |h| h.raw.as_str());
    let mut in_order: Vec<(&(String, String), usize)> =
        channels.iter().map(|(key, (place, _))| (key, *place)).collect();
    in_order.sort_by_key(|(_, place)| *place);
    let headed = in_order.iter().map(|((channel, unit), _)| match unit.is_empty() {
        true => channel.clone(),
        false => format!("{channel} ({unit})"),
    });
    let header: Vec<String> = kept.iter().map(|k| name(k).to_owned()).chain(headed).collect();
    writer.write_record(&header).ok()?;
    let mut last_line = 0;
    for row in dialect.reader(body).into_records().filter_map(Result::ok) {
        let (_, line) = header::start_of(&row, body);
        // Blank lines are kept, so that line numbers stay the same.
        for _ in last_line + 1..line {
            writer.write_record([""]).ok()?;
        }
        last_line = line;
        let place = shape.key(&row).and_then(|key| channels.get(&key)).map(|(place, _)| *place);
        let value = row.get(shape.value).unwrap_or("");
        let cells = kept.iter().map(|k| row.get(*k).unwrap_or(""));
        let values = (0..channels.len()).map(|k| if Some(k) == place { value } else { "" });
        writer.write_record(cells.chain(values)).ok()?;
    }
    let table = String::from_utf8(writer.into_inner().ok()?).ok()?;
    // The preamble is kept line by line.
    let header_line = layout.header_line?;
    let preamble: String =
        text.lines().take(header_line - 1).map(|line| format!("{line}\n")).collect();
    let units_row = if layout.units_cells.is_some() { "\n" } else { "" };
    let (head, rows) = table.split_once('\n')?;
    Some(format!("{preamble}{head}\n{units_row}{rows}"))
}

/// Which column holds what.
struct Shape {
    channel: usize,
    value: usize,
    unit: Option<usize>,
    /// Recognized by the names of the columns, not by their values.
    is_named: bool,
}

/// Channels have one unit each, and not all the same. Words beside a single quantity may be the
/// driver's notes.
fn are_channels_by_unit<'a>(channels: impl Iterator<Item = &'a (String, String)>) -> bool {
    let (names, units): (Vec<&str>, BTreeSet<&str>) =
        channels.map(|(name, unit)| (name.as_str(), unit.as_str())).unzip();
    let once: BTreeSet<&str> = names.iter().copied().collect();
    once.len() == names.len() && units.iter().filter(|unit| !unit.is_empty()).count() >= 2
}

impl Shape {
    fn of(layout: &Layout, facts: &[Facts]) -> Option<Shape> {
        layout.header_line?;
        let columns = || layout.headings.iter().zip(facts).enumerate();
        let named = |heading: &Heading, words: &str| Words::of(&heading.name).has(words);
        let is_words = |facts: &Facts| facts.words * 10 >= facts.filled * 8 && facts.filled > 0;
        let unit = columns()
            .find(|(_, (heading, facts))| named(heading, vocab::UNIT_NAME) && !facts.is_numeric())
            .map(|(index, _)| index);
        let indices = |is: &dyn Fn(&Heading, &Facts) -> bool| -> Vec<usize> {
            columns().filter(|(_, (heading, facts))| is(heading, facts)).map(|c| c.0).collect()
        };
        let mut channels = indices(&|_, facts| is_words(facts));
        channels.retain(|index| Some(*index) != unit);
        let numeric = indices(&|heading, facts| facts.is_numeric() && !named(heading, vocab::TIME));
        let heading = |index: &&usize| layout.headings.get(**index);
        let with_name = |words: &'static str| {
            move |index: &&usize| heading(index).is_some_and(|heading| named(heading, words))
        };
        let only = |mut found: Vec<usize>| found.pop().filter(|_| found.is_empty());
        // Two columns of values make another kind of table.
        if let Some(channel) = channels.iter().find(with_name(vocab::SIGNAL_NAME)) {
            let value = only(numeric.iter().filter(with_name(vocab::GENERIC)).copied().collect())?;
            return Some(Shape { channel: *channel, value, unit, is_named: true });
        }
        // A clock never goes back.
        let goes_back = |facts: &Facts| facts.numbers.windows(2).any(|pair| pair[1] < pair[0]);
        let values =
            numeric.into_iter().filter(|index| facts.get(*index).is_some_and(goes_back)).collect();
        let (channel, value) = (only(channels)?, only(values)?);
        unit.map(|unit| Shape { channel, value, unit: Some(unit), is_named: false })
    }

    fn key(&self, row: &csv::StringRecord) -> Option<(String, String)> {
        let channel = row.get(self.channel)?.trim();
        let unit = self.unit.and_then(|unit| row.get(unit)).map_or("", str::trim);
        let unit = if Unit::parse(unit).is_some() { unit } else { "" };
        (!channel.is_empty()).then(|| (channel.to_owned(), unit.to_owned()))
    }

    /// Columns with a value in every row: time and row numbers.
    fn kept(&self, width: usize) -> Vec<usize> {
        let moved =
            |k: &usize| [Some(self.channel), Some(self.value), self.unit].contains(&Some(*k));
        (0..width).filter(|k| !moved(k)).collect()
    }
}
