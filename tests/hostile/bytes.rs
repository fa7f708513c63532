//! Bytes that somebody spoiled, into every parser of a file.

use std::path::Path;

use proptest::prelude::*;
use stiffbus::car::Car;
use stiffbus::ingest::{self, Mark, MarkTime, ReadOptions, Sheet, Stated};
use stiffbus::nominal::Nominal;

use crate::dialects::written;
use crate::support::{cases, plain, read};

/// What cells, lines and whole files have been known to hold.
const MORSELS: &[&[u8]] = &[
    b"",
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b"\"",
    b"\"\"",
    b";",
    b",",
    b"\t",
    b"|",
    b" ",
    b"NaN",
    b"inf",
    b"-inf",
    b"1e308",
    b"-1e308",
    b"1e-320",
    b"4.9e-324",
    b"1e400",
    b"99999999999999999999999999",
    b"-0",
    b"0x10",
    b"1_000",
    b"1.234.567,8",
    b"1'000.5",
    b"=1+1",
    b"@SUM(A1)",
    b"-",
    b"n/a",
    b"#REF!",
    b"on",
    b"off",
    b"12:34",
    b"24:61:61",
    b"99:59:59.999",
    b"9999-12-31T23:59:60Z",
    b"0000-00-00",
    b"31.02.2024",
    b"2024-05-06T07:08:09+99:99",
    b"12:00 PM",
    b"1714979289",
    b"1e18",
    b"45418.25",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"\xfe\xff",
    b"\xc3",
    b"\xe2\x82",
    b"\xf0\x9f\x98",
    b"\xd8\x00",
    b"\x00\xd8",
    b"\xdc\x00\xd8\x00",
    b"\xe2\x80\xae",
    b"\xe2\x80\xa8",
    b"\x1b[31m",
    b"\x85",
    b"\x1a",
    b"\x1f",
    b"sep=;\n",
    b"time",
    b"Time (ms)",
    b"voltage",
    b"rpm (x1000)",
    b"Battery current (A)",
    b"Coolant (F)",
    b"(V)",
    b"[",
    b"B+",
    b"\xc2\xb5s",
];

#[derive(Debug, Clone)]
enum Harm {
    Overwrite(prop::sample::Index, u8),
    Remove(prop::sample::Index, usize),
    Insert(prop::sample::Index, usize),
    Repeat(prop::sample::Index, usize, prop::sample::Index),
    Cut(prop::sample::Index),
    Flip(prop::sample::Index, u8),
}

fn harm() -> impl Strategy<Value = Harm> {
    let at = any::<prop::sample::Index>;
    prop_oneof![
        2 => (at(), any::<u8>()).prop_map(|(i, b)| Harm::Overwrite(i, b)),
        2 => (at(), 1usize..40).prop_map(|(i, n)| Harm::Remove(i, n)),
        6 => (at(), 0..MORSELS.len()).prop_map(|(i, n)| Harm::Insert(i, n)),
        2 => (at(), 1usize..200, at()).prop_map(|(i, n, j)| Harm::Repeat(i, n, j)),
        1 => at().prop_map(Harm::Cut),
        2 => (at(), 0u8..8).prop_map(|(i, n)| Harm::Flip(i, n)),
    ]
}

fn done(mut bytes: Vec<u8>, harms: &[Harm]) -> Vec<u8> {
    for harm in harms {
        let end = bytes.len();
        let at = |index: &prop::sample::Index| index.index(end + 1);
        match harm {
            Harm::Overwrite(i, byte) => {
                if let Some(slot) = bytes.get_mut(at(i)) {
                    *slot = *byte;
                }
            }
            Harm::Remove(i, n) => {
                let from = at(i);
                bytes.drain(from..(from + n).min(end));
            }
            Harm::Insert(i, n) => {
                let from = at(i);
                bytes.splice(from..from, MORSELS[*n].iter().copied());
            }
            Harm::Repeat(i, n, j) => {
                let from = at(i);
                let piece = bytes[from..(from + n).min(end)].to_vec();
                let to = at(j);
                bytes.splice(to..to, piece);
            }
            Harm::Cut(i) => bytes.truncate(at(i)),
            Harm::Flip(i, n) => {
                if let Some(slot) = bytes.get_mut(at(i)) {
                    *slot ^= 1 << n;
                }
            }
        }
    }
    bytes
}

/// A good log, spoiled; or nothing but morsels; or no more than bytes.
pub fn spoiled() -> impl Strategy<Value = Vec<u8>> {
    let harms = || prop::collection::vec(harm(), 1..25);
    let morsels = prop::collection::vec(0..MORSELS.len(), 0..200)
        .prop_map(|picks| picks.iter().flat_map(|&n| MORSELS[n].iter().copied()).collect());
    prop_oneof![
        6 => (written(), harms()).prop_map(|(bytes, harms)| done(bytes, &harms)),
        2 => harms().prop_map(|harms| done(plain(40).into_bytes(), &harms)),
        1 => morsels,
        1 => prop::collection::vec(any::<u8>(), 0..600),
    ]
}

pub fn options() -> impl Strategy<Value = ReadOptions> {
    let rate = prop::option::weighted(
        0.3,
        prop_oneof![Just(10.0), Just(1e-300), Just(1e300), Just(f64::NAN), any::<f64>()],
    );
    let marks = prop::collection::vec((0.0f64..10.0, "[a-z]{0,3}", 0.0f64..=1.0), 0..3);
    let wish = prop::option::weighted(
        0.2,
        prop::sample::select(vec![
            "voltage=#2",
            "time=#1",
            "load=#3",
            "ignored=#1",
            "time=Time",
            "voltage=#1",
            "note=#4",
            "battery_current=#3",
        ]),
    );
    let systems = [Nominal::V6, Nominal::V12, Nominal::V24];
    let nominal = prop::option::of(prop::sample::select(systems.to_vec()));
    (rate, marks, wish, nominal).prop_map(|(sample_rate_hz, marks, wish, nominal)| ReadOptions {
        sample_rate_hz,
        marks: marks
            .into_iter()
            .map(|(at_s, load, duty)| Mark { at: MarkTime::Seconds(at_s), load, duty })
            .collect(),
        columns: wish.map(|w| w.parse().expect("a wish")).into_iter().collect(),
        nominal,
        marks_file: None,
    })
}

proptest! {
    #![proptest_config(cases(1000, 1))]

    #[test]
    fn no_bytes_break_the_reading(bytes in spoiled(), options in options()) {
        read(&bytes, &options);
    }

    #[test]
    fn no_bytes_break_an_output_sheet(
        harms in prop::collection::vec(harm(), 0..12),
        other in spoiled(),
        take_other in 0..10,
        volts in prop::option::of(any::<f64>()),
    ) {
        let sheet = b"# 13.5 V, 23 C\nalternator rpm;amps\n1500;35\n2000;55\n3000;80\n6000;100\n";
        let bytes = if take_other == 0 { other } else { done(sheet.to_vec(), &harms) };
        let stated = Stated { test_v: volts, test_c: None };
        match Sheet::parse(Path::new("x.csv"), bytes, stated) {
            Ok(sheet) => {
                prop_assert!(sheet.points.len() >= 2);
                prop_assert!(sheet.points.windows(2).all(|p| p[0].0 < p[1].0 && p[0].1 <= p[1].1));
                prop_assert!(sheet.points.iter().all(|p| p.0.is_finite() && (0.0..=1000.0).contains(&p.1)));
            }
            Err(error) => prop_assert!(error.to_string().contains("x.csv")),
        }
    }

    #[test]
    fn no_text_breaks_the_facts_of_a_car(harms in prop::collection::vec(harm(), 0..10)) {
        let toml = br#"setpoint_v = 14.4
starter_a = 180
[columns]
voltage = "Vbat"
load = ["Fan relay", "AC"]
[battery]
cca_a = 540
kind = "agm"
[cable]
gauge = "4AWG"
length_m = 3.2
[alternator]
pulley_ratio = 2.4
curve = "old.csv"
[acceptance]
hold_s = 120
heat = "any"
[job]
parts = ["a", "b"]
[loads_a]
fans = 31
lamps = "10.5@12.6"
"#;
        let bytes = done(toml.to_vec(), &harms);
        let text = String::from_utf8_lossy(&bytes);
        match Car::parse(Path::new("car.toml"), &text) {
            Ok(car) => {
                prop_assert!(car.loads_a.values().all(|load| load.amps_a > 0.0 && load.amps_a.is_finite()));
                prop_assert!(car.setpoint_v.is_none_or(|v| v > 0.0 && v.is_finite()));
                let _ = ingest::RoleRequest::from_car(&car);
            }
            Err(error) => {
                let told = error.to_string();
                prop_assert!(told.contains("car.toml, line "), "{}", told);
                prop_assert!(!told.chars().any(stiffbus::format::is_unprintable), "{:?}", told);
            }
        }
    }
}

proptest! {
    #![proptest_config(cases(250, 1))]

    /// The route that takes clean files fast and the one that looks at every cell.
    #[test]
    fn both_routes_read_the_same(bytes in spoiled(), options in options()) {
        let home = memory();
        let path = home.path().join("x.csv");
        std::fs::write(&path, &bytes).expect("the test's own file");
        let told = |read: Result<stiffbus::log::Log, ingest::IngestError>| match read {
            Ok(log) => {
                let channels: Vec<String> = log
                    .channels()
                    .map(|(name, values)| format!("{name} {:?}", values.iter().map(|v| v.to_bits()).collect::<Vec<_>>()))
                    .collect();
                format!("{:?} {:?}", log.source, channels)
            }
            Err(error) => error.to_string(),
        };
        prop_assert_eq!(
            told(ingest::read(&path, &options)),
            told(ingest::read_carefully(&path, &options))
        );
    }

    #[test]
    fn no_bytes_break_a_file_of_marks(
        harms in prop::collection::vec(harm(), 0..12),
        other in spoiled(),
        take_other in 0..8,
    ) {
        let home = memory();
        let path = home.path().join("marks.csv");
        let marks = b"time,load,state\n0.5,fans,on\n1.5,fans,off\n2,pump,60%\n00:00:03,ac,on\n";
        let bytes = if take_other == 0 { other } else { done(marks.to_vec(), &harms) };
        std::fs::write(&path, &bytes).expect("the test's own file");
        read(plain(40).as_bytes(), &ReadOptions { marks_file: Some(path), ..Default::default() });
    }
}

/// In memory where the system has such a place: thousands of files a minute.
pub fn memory() -> tempfile::TempDir {
    let shared = Path::new("/dev/shm");
    let made = if shared.is_dir() { tempfile::tempdir_in(shared) } else { tempfile::tempdir() };
    made.expect("a folder")
}
