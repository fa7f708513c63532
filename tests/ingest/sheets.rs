//! Output sheets as test benches print them, and clear words for what is none.
//! Expected points are those the test itself wrote.

use std::path::Path;

use rand::seq::IndexedRandom;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stiffbus::estimate::Grade;
use stiffbus::ingest::{IngestError, Sheet, Stated};

use crate::support::says;

const POINTS: [(f64, f64); 5] =
    [(1500.0, 35.5), (2000.0, 52.0), (3000.0, 70.25), (6000.0, 90.0), (12000.0, 95.0)];

fn parse(bytes: impl Into<Vec<u8>>) -> Result<Sheet, IngestError> {
    Sheet::parse(Path::new("bench/old.csv"), bytes.into(), Stated::default())
}

fn good(text: &str) -> Sheet {
    parse(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[test]
fn every_dialect_gives_the_same_points() {
    let comma = |v: f64| v.to_string().replace('.', ",");
    let lines = |row: &dyn Fn(f64, f64) -> String| -> String {
        POINTS.iter().map(|&(rpm, a)| row(rpm, a) + "\n").collect()
    };
    let plain = lines(&|n, a| format!("{n},{a}"));
    let german = lines(&|n, a| format!("{};{}", comma(n), comma(a)));
    let texts = [
        plain.clone(),
        format!("rpm,amps\n{plain}"),
        format!("# old machine, 13.5 V, 23 °C\nalternator speed (rpm),output current [A]\n{plain}"),
        format!("Prüfspannung 13,5 V bei 23,0 °C\nDrehzahl n (1/min);Strom I (A)\n{german}"),
        format!("Drehzahl;Strom\n1/min;A\n{german}"),
        format!("n;I\r\n{}", german.replace('\n', "\r\n")),
        german.clone(),
        lines(&|n, a| format!("{n}\t{a}")),
        format!("speed  output\n{}", lines(&|n, a| format!("{n}   {a}"))),
        lines(&|n, a| format!("{n}|{a}")),
        lines(&|n, a| format!("{n} rpm, {a} A")),
        // Amps first, told by name and told by size.
        format!("Amps;RPM\n{}", lines(&|n, a| format!("{a};{n}"))),
        lines(&|n, a| format!("{a};{n}")),
        // Thousands.
        format!("speed (rpm x1000);output (A)\n{}", lines(&|n, a| format!("{};{a}", n / 1000.0))),
        lines(&|n, a| {
            let (k, rest) = ((n / 1000.0).floor(), n % 1000.0);
            format!("\"{k},{rest:03}\",{a}")
        }),
        // A point's number, a voltage and a power stand beside.
        format!(
            "no,rpm,U (V),output (A),power (W)\n{}",
            lines(&|n, a| format!("P1,{n},13.5,{a},{:.0}", 13.5 * a))
        ),
        format!("Point;Régime (tr/min);Courant (A)\n{}", lines(&|n, a| format!("1;{n};{a}"))),
        format!("\n\nrpm,amps\n\n{}\n# end of test\n\n", plain.replace('\n', "\n\n")),
        format!("sep=;\nrpm;A\n{german}"),
        // Out of order.
        POINTS.iter().rev().map(|(n, a)| format!("{n};{a}\n")).collect(),
    ];
    for text in &texts {
        assert_eq!(good(text).points, POINTS, "{text}");
        let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(parse([&[0xff, 0xfe][..], &utf16].concat()).expect(text).points, POINTS);
    }
    assert_eq!(good(&plain).file, "old.csv");
}

#[test]
fn the_curve_is_known_between_its_points_only() {
    let sheet = good("1500;35\n3000;70\n6000;90\n");
    assert_eq!(sheet.curve.known_a(1499.0), None);
    assert_eq!(sheet.curve.known_a(1500.0), Some(35.0));
    assert_eq!(sheet.curve.known_a(6001.0), None);
    assert!(sheet.curve.output(1000.0).before_first_point);
    // From a turn-on speed on down there is nothing, and that is known.
    let sheet = good("1000;0\n3000;70\n");
    assert_eq!(sheet.curve.known_a(500.0), Some(0.0));
    assert!(!sheet.curve.output(500.0).before_first_point);
}

#[test]
fn test_conditions_are_read_where_they_are_told() {
    let cases: [(&str, Option<f64>, Option<f64>); 14] = [
        ("# 13.5 V, 23 °C", Some(13.5), Some(23.0)),
        ("# test voltage 13.5 V", Some(13.5), None),
        ("# 12 V machine, tested at 13.0 V and 80 C", Some(13.0), Some(80.0)),
        ("# 14 V 90 A, tested cold at 25°C", Some(14.0), Some(25.0)),
        ("Test voltage;13,5\nTemperature;23", Some(13.5), Some(23.0)),
        ("Test voltage,14.4,V\nAmbient,73.4,°F", Some(14.4), Some(23.0)),
        ("# Prüfspannung: 13,5V ±0,1V; 23±5°C", Some(13.5), Some(23.0)),
        ("# 296.15 K", None, Some(23.0)),
        ("# hot: 90 °C, cold: 23 °C, 13.5 V", Some(13.5), None),
        ("# 13.5 V or 14.4 V", None, None),
        ("# a frosty -10 °C", None, Some(-10.0)),
        ("# rev 13.5.2, bench T23", None, None),
        ("# 24 V", None, None),
        ("# nothing told", None, None),
    ];
    for (remark, volts, degrees) in cases {
        let sheet = good(&format!("{remark}\nrpm;A\n1500;35\n6000;90\n"));
        for (told, value, usual) in [(&sheet.test_v, volts, 13.5), (&sheet.test_c, degrees, 23.0)] {
            let grade = if value.is_some() { Grade::Inferred } else { Grade::Assumed };
            assert_eq!((told.value, told.grade), (value.unwrap_or(usual), grade), "{remark}");
            assert!(told.low < told.value && told.value < told.high, "{remark}");
            assert!(value.is_some() || told.how.contains("ISO 8854"), "{}", told.how);
        }
    }
    // In the header too; and a person's word overrules all.
    let text = "speed (rpm);output (A) at 13.2 V and 60 °C\n1500;35\n6000;90\n";
    assert_eq!((good(text).test_v.value, good(text).test_c.value), (13.2, 60.0));
    let stated = Stated { test_v: Some(14.0), test_c: Some(20.0) };
    let sheet = Sheet::parse(Path::new("s.csv"), text.into(), stated).expect("a good sheet");
    assert_eq!((sheet.test_v.value, sheet.test_c.value), (14.0, 20.0));
    assert!(sheet.test_v.how.contains("stated"));
}

#[test]
fn what_is_wrong_is_shown_where_it_is() {
    let wrong: [(&str, &[&str]); 17] = [
        ("rpm,amps\n1500,35\n2000,x\n", &["line 3", "\"amps\"", "\"x\"", "a number"]),
        ("rpm,amps\n1500,35\n2000,\n", &["line 3", "\"amps\"", "a number"]),
        ("rpm,amps\n1500,35\nend of test\n", &["line 3", "start the line with #"]),
        ("rpm,amps\n1500,35\n2000,50\n1500,36\n", &["line 4", "\"1500\"", "line 2", "keep one"]),
        ("rpm,amps\n1500,35\n3000,60\n2000,70\n", &["line 3", "\"60\"", "70 A of line 4"]),
        ("rpm,amps\n1500,35\n", &["line 2", "one point is not a curve"]),
        ("rpm,amps\n1500,-35\n3000,60\n", &["line 2", "below 0"]),
        ("rpm,amps\n1.5,35\n3,60\n", &["line 3", "\"3\"", "rpm x1000"]),
        ("rpm,amps\n1500,35\n300000,60\n", &["line 3", "highest speed"]),
        ("rpm,amps\n1500,35\n6000,9000\n", &["line 3", "\"9000\"", "give amps"]),
        ("rpm,amps\n1500,0\n6000,0\n", &["line 3", "full output"]),
        ("engine rpm,amps\n800,35\n3000,60\n", &["line 1", "engine rpm", "pulley ratio"]),
        ("rpm,cold (A),hot (A)\n1500,35,30\n3000,60,50\n", &["line 1", "hot", "cold", "keep one"]),
        ("rpm,amps\n1500 rpm,35 V\n3000 rpm,60 V\n", &["no line contains two numbers"]),
        ("1500,1,35\n3000,2,60\n", &["3 columns", "semicolons"]),
        ("a machine of 70 A\n", &["no line contains two numbers", "1500,35"]),
        ("", &["no line contains two numbers"]),
    ];
    for (text, parts) in wrong {
        let error = parse(text).expect_err(text).to_string();
        assert!(error.starts_with("bench/old.csv"), "{error}");
        says(&error, parts);
    }
    says(&parse([0, 1, 2, 3, 0, 200]).expect_err("bytes").to_string(), &["not text"]);
    let folder = tempfile::tempdir().expect("a folder");
    let error = Sheet::read(&folder.path().join("none.csv"), Stated::default());
    says(&error.expect_err("no file").to_string(), &["none.csv", "cannot be read", "Check"]);
    let error = Sheet::read(folder.path(), Stated::default()).expect_err("a folder");
    says(&error.to_string(), &["cannot be read"]);
    let large = folder.path().join("log.csv");
    std::fs::write(&large, "1500,35\n".repeat(200_000)).expect("the test's own file");
    let error = Sheet::read(&large, Stated::default()).expect_err("a log");
    says(&error.to_string(), &["longer than 1048576 bytes", "output sheet"]);
}

/// Any bytes give an error or a curve that keeps its promises: never a panic.
#[test]
fn random_bytes_are_survived() {
    let mut random = ChaCha8Rng::seed_from_u64(8854);
    let cells = [
        "1500",
        "35",
        "3000",
        "60,5",
        "6.000",
        "\"",
        "rpm",
        "amps",
        "A",
        "1/min",
        "13.5 V",
        "23 °C",
        "±",
        "-",
        "−10",
        "1e308",
        "-1e308",
        "NaN",
        "#",
        "# 13,5 V ± 0,1",
        "°",
        "engine rpm",
        "",
        "\u{feff}",
        "\u{0}",
        "日本",
        "n;I",
        "1.2.3",
        "99999999999999999999",
        "13.5±",
        "=\"1500\"",
        "x1000",
        "0",
        "12,",
        ",5",
        "5 C",
        "T-5 °C",
    ];
    let separators = [",", ";", "\t", "|", " ", "  ", "\n", "\r\n", "\r"];
    let (mut sheets, mut errors) = (0, 0);
    for round in 0..6000 {
        let bytes = match round % 3 {
            0 => {
                let mut bytes = vec![0; random.random_range(0..300)];
                random.fill_bytes(&mut bytes);
                bytes
            }
            1 => {
                let pick = |random: &mut ChaCha8Rng| {
                    let cell = cells.choose(random).expect("cells");
                    format!("{cell}{}", separators.choose(random).expect("separators"))
                };
                (0..random.random_range(0..60))
                    .map(|_| pick(&mut random))
                    .collect::<String>()
                    .into()
            }
            _ => {
                // A good sheet with one byte turned.
                let mut bytes = b"# 13.5 V, 23 C\nrpm;amps\n1500;35,5\n2000;52\n6000;90\n".to_vec();
                let at = random.random_range(0..bytes.len());
                bytes[at] = random.random();
                bytes
            }
        };
        match parse(bytes) {
            Ok(sheet) => {
                sheets += 1;
                assert!(sheet.points.len() >= 2);
                assert!(sheet.points.windows(2).all(|p| p[0].0 < p[1].0 && p[0].1 <= p[1].1));
                assert!(sheet.points.iter().all(|p| sheet.curve.known_a(p.0) == Some(p.1)));
                assert!((12.0..=16.0).contains(&sheet.test_v.value));
                assert!((-40.0..=200.0).contains(&sheet.test_c.value));
            }
            Err(error) => {
                errors += 1;
                assert!(error.to_string().starts_with("bench/old.csv"), "{error}");
            }
        }
    }
    assert!(sheets > 500 && errors > 500, "{sheets} sheets, {errors} errors");
}
