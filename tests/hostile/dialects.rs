//! One table in any dialect is one log.

use proptest::prelude::*;
use stiffbus::ingest::ReadOptions;

use crate::support::{cases, read};

#[derive(Debug, Clone)]
pub struct Dialect {
    separator: &'static str,
    comma: bool,
    quoted: bool,
    end: &'static str,
    ends_last: bool,
    encoding: Encoding,
    clock: Clock,
    preamble: usize,
    units: Units,
    blank_every: Option<usize>,
    repeats_header: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Encoding {
    Utf8,
    Utf8Mark,
    Utf16Le,
    Utf16Be,
    Utf16LeBare,
    Western,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Clock {
    Seconds,
    Millis,
    Micros,
    TimeOfDay,
    Iso,
    IsoZone,
    DayFirst,
    Unix,
    TwoColumns,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Units {
    Round,
    Square,
    Underscore,
    Row,
}

/// A sample; volts in hundredths, as the file writes them.
type Sample = (i32, i32, bool);

pub fn dialect() -> impl Strategy<Value = Dialect> {
    let looks = (
        prop::sample::select(vec![",", ";", "\t", "|"]),
        any::<bool>(),
        any::<bool>(),
        prop::sample::select(vec!["\n", "\r\n", "\r"]),
        any::<bool>(),
    );
    let form = (
        prop::sample::select(vec![
            Encoding::Utf8,
            Encoding::Utf8Mark,
            Encoding::Utf16Le,
            Encoding::Utf16Be,
            Encoding::Utf16LeBare,
            Encoding::Western,
        ]),
        prop::sample::select(vec![
            Clock::Seconds,
            Clock::Millis,
            Clock::Micros,
            Clock::TimeOfDay,
            Clock::Iso,
            Clock::IsoZone,
            Clock::DayFirst,
            Clock::Unix,
            Clock::TwoColumns,
        ]),
        0usize..4,
        prop::sample::select(vec![Units::Round, Units::Square, Units::Underscore, Units::Row]),
        prop::option::of(3usize..9),
        any::<bool>(),
    );
    (looks, form).prop_map(|((separator, comma, quoted, end, ends_last), form)| {
        let (encoding, clock, preamble, units, blank_every, repeats_header) = form;
        // A comma cannot stand inside numbers and between bare cells.
        let comma = comma && (separator != "," || quoted);
        Dialect {
            separator,
            comma,
            quoted,
            end,
            ends_last,
            encoding,
            clock,
            preamble,
            units,
            blank_every,
            repeats_header,
        }
    })
}

fn samples() -> impl Strategy<Value = Vec<Sample>> {
    prop::collection::vec((1150i32..1490, 600i32..3000, any::<bool>()), 14..50)
}

impl Dialect {
    fn line(&self, cells: &[String]) -> String {
        let cell = |cell: &String| if self.quoted { format!("\"{cell}\"") } else { cell.clone() };
        cells.iter().map(cell).collect::<Vec<_>>().join(self.separator)
    }

    fn head(&self) -> (Vec<String>, Option<Vec<String>>) {
        let time: (&str, &str) = match self.clock {
            Clock::Seconds => ("Time", "s"),
            Clock::Millis => ("Time", "ms"),
            Clock::Micros => ("Time", "us"),
            _ => ("Time", ""),
        };
        let columns = [time, ("Battery voltage", "V"), ("Engine speed", "rpm"), ("Lüfter", "")];
        let name = |&(name, unit): &(&str, &str)| match (unit, self.units) {
            ("", _) | (_, Units::Row) => name.to_owned(),
            (unit, Units::Round) => format!("{name} ({unit})"),
            (unit, Units::Square) => format!("{name} [{unit}]"),
            (unit, Units::Underscore) => format!("{name}_{unit}"),
        };
        let mut names: Vec<String> = columns.iter().map(name).collect();
        let mut units: Vec<String> = columns.iter().map(|(_, unit)| (*unit).to_owned()).collect();
        if self.clock == Clock::TwoColumns {
            names.insert(0, "Date".to_owned());
            units.insert(0, String::new());
        }
        (names, (self.units == Units::Row).then_some(units))
    }

    fn time(&self, tenths: usize) -> Vec<String> {
        let (seconds, tenth) = (tenths / 10, tenths % 10);
        let mark = if self.comma { ',' } else { '.' };
        let of_day = format!("07:{:02}:{:02}", 8 + seconds / 60, seconds % 60);
        match self.clock {
            Clock::Seconds => vec![format!("{seconds}{mark}{tenth}")],
            Clock::Millis => vec![format!("{}", tenths * 100)],
            Clock::Micros => vec![format!("{}", tenths * 100_000)],
            Clock::TimeOfDay => vec![format!("{of_day}{mark}{tenth}00")],
            Clock::Iso => vec![format!("2024-05-06T{of_day}.{tenth}")],
            Clock::IsoZone => vec![format!("2024-05-06 {of_day}.{tenth}+02:00")],
            Clock::DayFirst => vec![format!("26.05.2024 {of_day}{mark}{tenth}")],
            Clock::Unix => vec![format!("{}{mark}{tenth}", 1_714_979_280 + seconds)],
            Clock::TwoColumns => {
                vec!["2024-05-06".to_owned(), format!("{of_day}{mark}{tenth}")]
            }
        }
    }

    pub fn write(&self, samples: &[Sample]) -> Vec<u8> {
        let mut lines: Vec<String> =
            (0..self.preamble).map(|k| format!("# written by logger {k}")).collect();
        let (names, units) = self.head();
        let header = self.line(&names);
        lines.push(header.clone());
        lines.extend(units.map(|units| self.line(&units)));
        for (i, &(centivolts, rpm, fan)) in samples.iter().enumerate() {
            if self.blank_every.is_some_and(|every| i % every == every - 1) {
                lines.push(String::new());
            }
            if self.repeats_header && i == samples.len() / 2 {
                lines.push(header.clone());
            }
            let mark = if self.comma { ',' } else { '.' };
            let mut cells = self.time(i);
            cells.push(format!("{}{mark}{:02}", centivolts / 100, centivolts % 100));
            cells.push(format!("{rpm}"));
            cells.push(if fan { "ein" } else { "aus" }.to_owned());
            lines.push(self.line(&cells));
        }
        let mut text = lines.join(self.end);
        if self.ends_last {
            text.push_str(self.end);
        }
        self.encode(&text)
    }

    fn encode(&self, text: &str) -> Vec<u8> {
        let wide = |to: fn(u16) -> [u8; 2]| text.encode_utf16().flat_map(to).collect::<Vec<u8>>();
        let with = |mark: &[u8], body: Vec<u8>| [mark, &body].concat();
        match self.encoding {
            Encoding::Utf8 => text.as_bytes().to_vec(),
            Encoding::Utf8Mark => with(b"\xef\xbb\xbf", text.as_bytes().to_vec()),
            Encoding::Utf16Le => with(b"\xff\xfe", wide(u16::to_le_bytes)),
            Encoding::Utf16Be => with(b"\xfe\xff", wide(u16::to_be_bytes)),
            Encoding::Utf16LeBare => wide(u16::to_le_bytes),
            Encoding::Western => text.chars().map(|c| c as u32 as u8).collect(),
        }
    }
}

/// Any log in any dialect, for others to spoil.
pub fn written() -> impl Strategy<Value = Vec<u8>> {
    (dialect(), samples()).prop_map(|(dialect, samples)| dialect.write(&samples))
}

proptest! {
    #![proptest_config(cases(500, 16))]

    #[test]
    fn any_dialect_reads_to_the_same_values(dialect in dialect(), mut samples in samples()) {
        // A load that never switches is told by its name alone, in few words.
        samples[3].2 = true;
        samples[9].2 = false;
        let bytes = dialect.write(&samples);
        let shown = String::from_utf8_lossy(&bytes).into_owned();
        let options = ReadOptions::default();
        let log = match stiffbus::ingest::parse(std::path::Path::new("x.csv"), bytes.clone(), &options) {
            Ok(log) => log,
            Err(error) => return Err(TestCaseError::fail(format!("{error}\n{shown}"))),
        };
        prop_assert_eq!(log.len(), samples.len(), "{}", shown);
        for (i, &(centivolts, rpm, fan)) in samples.iter().enumerate() {
            let near = |a: f64, b: f64, within: f64| (a - b).abs() <= within;
            prop_assert!(near(log.time_s()[i], i as f64 / 10.0, 2e-6), "{}\n{}", log.time_s()[i], shown);
            prop_assert!(near(log.bus_v()[i], f64::from(centivolts) / 100.0, 1e-9), "{}", shown);
            let engine = log.engine_rpm().map(|values| values[i]);
            prop_assert!(engine.is_some_and(|v| near(v, f64::from(rpm), 1e-9)), "{:?}\n{}", engine, shown);
            let duty = log.load("Lüfter").map(|values| values[i]);
            prop_assert_eq!(duty, Some(f64::from(u8::from(fan))), "{}", shown);
        }
        prop_assert!(read(&bytes, &options).is_some());
    }
}
