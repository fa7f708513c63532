//! Logs of any length for the benches: the sample log of the hot idle over and over,
//! with noise and rounding of its own. Seeded: one size gives one file.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SAMPLE: &str = include_str!("../../sample-logs/hot-idle-old-alternator.csv");
const HEAD: &str =
    "time (s),battery voltage (V),engine rpm,coolant temp (C),fan,ac clutch,blower (%)\n";
/// Columns of [`HEAD`]: every one is used.
pub const COLUMNS: usize = 7;
/// Passes through the sample in a log that grows by its logger's speed.
const PASSES: f64 = 3.0;
const NOISE_V: f64 = 0.01;
const NOISE_RPM: f64 = 3.0;

/// What makes a log of more rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Grows {
    /// The same twenty minutes by an ever faster logger.
    Faster,
    /// Ten samples a second for ever longer.
    Longer,
}

impl Grows {
    pub fn word(self) -> &'static str {
        match self {
            Grows::Faster => "faster",
            Grows::Longer => "longer",
        }
    }
}

/// A log of `rows` rows in `folder`, written unless it stands there.
pub fn log(folder: &Path, grows: Grows, rows: usize) -> PathBuf {
    let path = folder.join(format!("{}-{rows}.csv", grows.word()));
    if !path.exists() {
        let aside = path.with_extension("part");
        write(&aside, grows, rows);
        std::fs::rename(&aside, &path).expect("the folder of the benches");
    }
    path
}

fn write(path: &Path, grows: Grows, rows: usize) {
    let base = Base::read();
    let interval_s = match grows {
        Grows::Faster => PASSES * base.seconds() / rows as f64,
        Grows::Longer => 0.1,
    };
    let mut rng = ChaCha8Rng::seed_from_u64(rows as u64);
    let mut normal = |sigma: f64| -> f64 {
        let z: f64 = StandardNormal.sample(&mut rng);
        sigma * z
    };
    let mut out = BufWriter::new(File::create(path).expect("a file of the benches"));
    let mut line = Vec::new();
    out.write_all(HEAD.as_bytes()).expect("room for the log");
    for row in 0..rows {
        let t = row as f64 * interval_s;
        let at = base.at(t);
        line.clear();
        decimal(&mut line, t, 6);
        line.push(b',');
        decimal(&mut line, at.volts + normal(NOISE_V), 2);
        line.push(b',');
        // A stopped engine's speed has no noise.
        decimal(&mut line, if at.rpm > 0.0 { at.rpm + normal(NOISE_RPM) } else { 0.0 }, 0);
        line.push(b',');
        decimal(&mut line, (2.0 * at.coolant).round() / 2.0, 1);
        for load in at.loads {
            line.push(b',');
            decimal(&mut line, load, 0);
        }
        line.push(b'\n');
        out.write_all(&line).expect("room for the log");
    }
    out.flush().expect("room for the log");
}

/// `value` with so many decimals; the standard formatting takes longer than a diagnosis.
fn decimal(line: &mut Vec<u8>, value: f64, places: usize) {
    let scaled = (value * 10f64.powi(places as i32)).round() as i64;
    if scaled < 0 {
        line.push(b'-');
    }
    let mut rest = scaled.unsigned_abs();
    let mut digits = [0u8; 24];
    let mut first = digits.len();
    for place in 0.. {
        if places > 0 && place == places {
            first -= 1;
            digits[first] = b'.';
        }
        first -= 1;
        digits[first] = b'0' + (rest % 10) as u8;
        rest /= 10;
        if rest == 0 && place >= places {
            break;
        }
    }
    line.extend_from_slice(&digits[first..]);
}

struct Moment {
    volts: f64,
    rpm: f64,
    coolant: f64,
    loads: [f64; 3],
}

/// The sample's rows: time and the six columns after it.
struct Base(Vec<[f64; COLUMNS]>);

impl Base {
    fn read() -> Base {
        let rows = SAMPLE.lines().filter_map(|line| {
            let cells: Vec<f64> = line.split(',').filter_map(|cell| cell.parse().ok()).collect();
            cells.try_into().ok()
        });
        Base(rows.collect())
    }

    fn seconds(&self) -> f64 {
        self.0.last().expect("the sample has rows")[0]
    }

    /// Over and over; volts, rpm and °C between rows, loads as they last were.
    fn at(&self, t: f64) -> Moment {
        let t = t % self.seconds();
        let after = self.0.partition_point(|row| row[0] <= t).clamp(1, self.0.len() - 1);
        let (a, b) = (&self.0[after - 1], &self.0[after]);
        let share = ((t - a[0]) / (b[0] - a[0])).clamp(0.0, 1.0);
        let between = |column: usize| a[column] + share * (b[column] - a[column]);
        Moment {
            volts: between(1),
            rpm: between(2),
            coolant: between(3),
            loads: [a[4], a[5], a[6]],
        }
    }
}
