//! What no logger should write and some do: each gives a result or a clear error, in
//! bounded time and memory.

use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use stiffbus::ingest::{self, ReadOptions};
use stiffbus::log::Log;

use crate::support::{binary, is_sound, plain, rows};

fn parse(bytes: impl AsRef<[u8]>) -> Result<Log, String> {
    let read = ingest::parse(Path::new("x.csv"), bytes.as_ref().to_vec(), &ReadOptions::default());
    read.inspect(is_sound).map_err(|error| error.to_string())
}

#[track_caller]
fn log(bytes: impl AsRef<[u8]>) -> Log {
    parse(bytes).unwrap_or_else(|error| panic!("{error}"))
}

#[track_caller]
fn error(bytes: impl AsRef<[u8]>, parts: &[&str]) {
    let error = parse(bytes).map(|log| log.source).expect_err("it is no log");
    for part in parts {
        assert!(error.contains(part), "no \"{part}\" in: {error}");
    }
}

/// How a run of the binary ended, what it said, how long it took, and the most
/// memory it held (MB).
struct Measured {
    code: Option<i32>,
    said: String,
    seconds: f64,
    peak_mb: f64,
}

/// Runs `diagnose LOG`; a run of more than `most_s` counts as hung.
#[cfg(target_os = "linux")]
fn measured(log: &Path, most_s: u64) -> Measured {
    let home = tempfile::tempdir().expect("a folder");
    let started = Instant::now();
    let mut child = binary()
        .arg("diagnose")
        .arg(log)
        .arg("--out")
        .arg(home.path().join("report"))
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary runs");
    let mut peak_mb: f64 = 0.0;
    let code = loop {
        // The high-water mark: what lies between two looks is not missed, but for the last.
        if let Ok(status) = std::fs::read_to_string(format!("/proc/{}/status", child.id()))
            && let Some(line) = status.lines().find(|line| line.starts_with("VmHWM"))
            && let Some(kb) = line.split_whitespace().nth(1).and_then(|kb| kb.parse::<f64>().ok())
        {
            peak_mb = peak_mb.max(kb / 1024.0);
        }
        if let Some(status) = child.try_wait().expect("its end") {
            break status.code();
        }
        if started.elapsed() > Duration::from_secs(most_s) {
            child.kill().expect("its end");
            panic!("{} hangs", log.display());
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let mut said = String::new();
    std::io::Read::read_to_string(&mut child.stderr.take().expect("its words"), &mut said)
        .expect("text");
    assert!(!said.contains("panicked"), "{said}");
    Measured { code, said, seconds: started.elapsed().as_secs_f64(), peak_mb }
}

#[test]
#[cfg(target_os = "linux")]
fn a_line_of_a_gigabyte_is_refused_before_it_is_read() {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("x.csv");
    // Without a block on the disk: a gigabyte of NUL bytes.
    let file = std::fs::File::create(&path).expect("the test's own file");
    file.set_len(1 << 30).expect("a sparse file");
    let run = measured(&path, 30);
    assert_eq!(run.code, Some(1));
    assert!(run.said.contains("is not a text file: 1048576 NUL bytes"), "{}", run.said);
    assert!(run.peak_mb < 150.0, "{} MB", run.peak_mb);
    file.set_len(5 << 30).expect("a sparse file");
    let run = measured(&path, 30);
    assert!(run.said.contains("the limit of 4294967296 bytes"), "{}", run.said);
    assert!(run.peak_mb < 150.0, "{} MB", run.peak_mb);
}

/// The same through a pipe, which has no length to ask for: numbers and commas only.
#[test]
#[cfg(target_os = "linux")]
fn a_line_without_an_end_through_a_pipe() {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("x.csv");
    assert!(std::process::Command::new("mkfifo").arg(&path).status().expect("mkfifo").success());
    let pipe = path.clone();
    let writer = std::thread::spawn(move || {
        let file = std::fs::OpenOptions::new().write(true).open(pipe).expect("a reader");
        let mut file = BufWriter::new(file);
        let mut written = 0usize;
        let piece = "13.8,".repeat(1 << 14);
        while written < 1 << 30 && file.write_all(piece.as_bytes()).is_ok() {
            written += piece.len();
        }
        written
    });
    let run = measured(&path, 30);
    let written = writer.join().expect("the writer");
    assert!(run.said.contains("line 1: is longer than"), "{}", run.said);
    assert!(written < 64 << 20, "{written} bytes were taken");
    assert!(run.peak_mb < 150.0, "{} MB", run.peak_mb);
}

/// `cargo test --test hostile -- --ignored gigabyte`: writes and reads a gigabyte.
#[test]
#[ignore = "a gigabyte is written and read"]
#[cfg(target_os = "linux")]
fn a_gigabyte_of_good_lines_costs_no_more_than_some_of_it() {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("x.csv");
    let mut file = BufWriter::new(std::fs::File::create(&path).expect("the test's own file"));
    writeln!(file, "time (s),battery voltage (V),engine rpm,oil,boost,lambda,knock,gear,x,y")
        .expect("written");
    let base = rows(20_000);
    let (mut bytes, mut i) = (0usize, 0usize);
    while bytes < 1 << 30 {
        let row = base[i % base.len()];
        let t = i as f64 / 100.0;
        let line = format!(
            "{t:.2},{:.2},{:.0},4.125,1.002,0.998,0.0001,3,123.4567,890.1234\n",
            row.v, row.rpm
        );
        file.write_all(line.as_bytes()).expect("written");
        bytes += line.len();
        i += 1;
    }
    drop(file);
    let run = measured(&path, 900);
    println!("{i} rows: {:.1} s, {:.0} MB, exit {:?}", run.seconds, run.peak_mb, run.code);
    // The bytes once, and the columns that hold a role with what is made of them.
    assert!(run.peak_mb < 4.0 * 1024.0, "{} MB", run.peak_mb);
}

#[test]
#[cfg(target_os = "linux")]
fn a_million_columns_are_refused() {
    let home = tempfile::tempdir().expect("a folder");
    let path = home.path().join("x.csv");
    let names: Vec<String> = (0..1_000_000).map(|k| format!("c{k}")).collect();
    let row = vec!["1"; 1_000_000].join(",");
    std::fs::write(&path, format!("{}\n{}\n", names.join(","), [row.as_str(); 12].join("\n")))
        .expect("written");
    let run = measured(&path, 30);
    assert_eq!(run.code, Some(1));
    assert!(run.said.contains("line 1: is longer than"), "{}", run.said);
    assert!(run.peak_mb < 150.0, "{} MB", run.peak_mb);
    // Short names keep within the length of a line.
    std::fs::write(&path, format!("{row}\n").repeat(12)).expect("written");
    let run = measured(&path, 30);
    assert!(run.said.contains("lines of ") && run.said.contains(" cells"), "{}", run.said);
    assert!(run.peak_mb < 500.0, "{} MB", run.peak_mb);
}

/// Names that are all the same once cost the cube of their number.
#[test]
fn two_thousand_columns_of_one_name() {
    let started = Instant::now();
    let mut text = format!("time (s),battery voltage (V){}\n", ",x".repeat(1990));
    for row in rows(30) {
        text.push_str(&format!("{:.1},{:.2}{}\n", row.t, row.v, ",1".repeat(1990)));
    }
    let log = log(text);
    assert_eq!(log.columns[3].name, "x (2)");
    assert_eq!(log.columns[1991].name, "x (1990)");
    assert!(started.elapsed() < Duration::from_secs(20), "{:?}", started.elapsed());
}

#[test]
fn names_that_are_taken_already() {
    let text = plain(30).replace("engine rpm,fan", "x,x (2)").replace("battery voltage (V)", "x");
    let read = parse(text);
    // Whatever is made of it, no two columns share a name.
    if let Ok(log) = read {
        let mut names: Vec<&str> = log.columns.iter().map(|c| c.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), 4);
    }
}

#[test]
fn a_header_only() {
    for text in
        ["time (s),battery voltage (V)", "time (s),battery voltage (V)\n", "t", "\"", "\n\n\n"]
    {
        error(text, &["x.csv: "]);
    }
    error("time (s),battery voltage (V)\n", &["no table of numbers"]);
}

#[test]
fn a_gap_of_a_billion_seconds() {
    let mut text = plain(300);
    for row in rows(100) {
        text.push_str(&format!("{:.1},{:.2},{:.0},0\n", 1e9 + row.t, row.v, row.rpm));
    }
    let log = log(&text);
    assert_eq!(log.len(), 300);
    let skipped = &log.source.rows_skipped;
    assert!(
        skipped.iter().any(|s| s.reason.contains("pause of more than a day") && s.count == 100),
        "{skipped:?}"
    );
    assert!(
        log.source.notices.iter().any(|n| n.contains("pauses for more than a day 1 time;")),
        "{:?}",
        log.source.notices
    );
    let started = Instant::now();
    stiffbus::diagnose(&log, &Default::default()).expect("a diagnosis");
    assert!(started.elapsed() < Duration::from_secs(20));
    // Every step of the clock that long.
    let slow: String = rows(300).iter().map(|r| format!("{},{:.2}\n", 1e9 * r.t, r.v)).collect();
    error(
        format!("time (s),battery voltage (V)\n{slow}"),
        &["usable rows", "pause of more than a day"],
    );
    // And steps that pass, of which there are too many.
    let years: String = rows(3000).iter().map(|r| format!("{},{:.2}\n", 8e5 * r.t, r.v)).collect();
    error(
        format!("time (s),battery voltage (V)\n{years}"),
        &["the log lasts 2777 days", "another unit"],
    );
}

/// Gaps that pass, in a log that goes the whole way.
#[test]
fn a_month_of_samples_an_hour_apart() {
    let text: String =
        rows(740).iter().map(|r| format!("{},{:.2},{:.0}\n", 36_000.0 * r.t, r.v, r.rpm)).collect();
    let started = Instant::now();
    let log = log(format!("time (s),battery voltage (V),engine rpm\n{text}"));
    let _ = stiffbus::diagnose(&log, &Default::default());
    assert!(started.elapsed() < Duration::from_secs(60), "{:?}", started.elapsed());
}

#[test]
fn times_that_run_backwards() {
    let mut lines: Vec<String> = plain(60).lines().map(str::to_owned).collect();
    lines[1..].reverse();
    match parse(lines.join("\n")) {
        Ok(log) => assert!(
            log.source.notices.iter().any(|n| n.contains("in reverse order")),
            "{:?}",
            log.source.notices
        ),
        Err(error) => assert!(error.contains("time"), "{error}"),
    }
}

#[test]
fn numbers_that_are_none_and_numbers_beyond_all() {
    for (cell, is_bad) in [
        ("NaN", false),
        ("nan", false),
        ("inf", true),
        ("-inf", true),
        ("Infinity", true),
        ("1e308", true),
        ("-1e308", true),
        ("1e309", true),
        ("1e400", true),
    ] {
        let text = plain(60).replacen("5.0,14.22,", &format!("5.0,{cell},"), 1);
        assert!(text.contains(cell), "the row to spoil is there");
        let log = log(&text);
        assert_eq!(log.len(), 59, "{cell}");
        assert_eq!(
            log.source.bad_cells,
            usize::from(is_bad),
            "{cell}: {:?}",
            log.source.bad_cells_first
        );
        // In every other channel it is unknown there, and nothing else changes.
        let text = plain(60).replacen(",14.22,850,", &format!(",14.22,{cell},"), 1);
        assert!(text.contains(cell), "the row to spoil is there");
        let spoiled = crate::extremes::log(&text);
        assert_eq!(spoiled.len(), 60, "{cell}");
        let most = spoiled.engine_rpm().expect("speeds").iter().copied().fold(0.0, f64::max);
        assert!(most < 1000.0, "{cell}: {most}");
    }
    // A denormal is a number: as good as zero.
    for cell in ["4.9e-324", "1e-320", "-2.2e-310"] {
        let log = log(plain(60).replacen("5.0,14.22,", &format!("5.0,{cell},"), 1));
        assert_eq!((log.len(), log.source.bad_cells), (60, 0));
        assert!(log.bus_v()[50].abs() < 1e-300);
        let _ = stiffbus::diagnose(&log, &Default::default());
    }
    // And in the clock.
    for cell in ["1e308", "-1e308", "4.9e-324", "NaN", "inf"] {
        let log = log(plain(60).replacen("\n5.0,", &format!("\n{cell},"), 1));
        assert!((59..=60).contains(&log.len()), "{cell}: {}", log.len());
    }
}

#[test]
fn every_cell_of_a_channel_beyond_all() {
    for cell in ["1e308", "-1e308", "1e-320", "99999999999999999999"] {
        for column in [0, 1, 2, 3] {
            let text: String = plain(80)
                .lines()
                .enumerate()
                .map(|(k, line)| {
                    let mut cells: Vec<&str> = line.split(',').collect();
                    if k > 0 {
                        cells[column] = cell;
                    }
                    cells.join(",") + "\n"
                })
                .collect();
            if let Ok(log) = parse(&text) {
                let _ = stiffbus::diagnose(&log, &Default::default());
            }
        }
    }
}

#[test]
fn nul_bytes() {
    // A few among text cost the cells that they stand in, wherever that is.
    let text = plain(60).replacen("12.61", "12\0.61", 1);
    assert_eq!(log(&text).len(), 59);
    error([0u8; 4096], &["is not a text file"]);
    // Behind the part that is looked at, as a card pulled too early leaves them.
    let mut long = plain(9000).into_bytes();
    let good = long.len();
    long.extend([0u8; 5000]);
    let log = log(&long);
    assert!(log.len() >= 8999, "{} rows of {good} bytes", log.len());
}

#[test]
fn mixed_line_ends() {
    let plain = plain(60);
    for pattern in [["\n", "\r\n"], ["\r\n", "\n"], ["\n", "\r"], ["\r", "\r\n"]] {
        let text: String = plain
            .lines()
            .enumerate()
            .map(|(k, line)| format!("{line}{}", pattern[k % 2]))
            .collect();
        let log = log(&text);
        assert_eq!(log.len(), 60, "{pattern:?}");
    }
}

#[test]
fn lone_surrogates_in_utf_16() {
    for lone in [0xd800u16, 0xdbff, 0xdc00, 0xdfff] {
        for place in ["14.22", "fan", "850"] {
            let mut units: Vec<u16> =
                std::iter::once(0xfeff).chain(plain(60).encode_utf16()).collect();
            let wanted: Vec<u16> = place.encode_utf16().collect();
            let at = units.windows(wanted.len()).position(|w| w == wanted).expect("the place");
            units.insert(at + 1, lone);
            let bytes: Vec<u8> = units.iter().flat_map(|unit| unit.to_le_bytes()).collect();
            let log = log(&bytes);
            assert!(log.len() >= 59);
            assert!(
                log.source.notices.iter().any(|n| n.contains("not valid UTF-16LE")),
                "{:?}",
                log.source.notices
            );
        }
    }
    // Half a unit at the end.
    let mut bytes: Vec<u8> =
        format!("\u{feff}{}", plain(60)).encode_utf16().flat_map(u16::to_be_bytes).collect();
    bytes.push(0x31);
    assert!(log(&bytes).len() >= 59);
}

#[test]
fn half_a_character_at_the_end() {
    for tail in [&b"\xc3"[..], b"\xe2\x82", b"\xf0\x9f\x98"] {
        let mut bytes = plain(60).into_bytes();
        bytes.extend_from_slice(tail);
        assert!(log(&bytes).len() >= 59, "{tail:?}");
        let mut marked = b"\xef\xbb\xbf".to_vec();
        marked.extend_from_slice(&bytes);
        assert!(log(&marked).len() >= 59, "{tail:?}");
    }
}

/// A quote that never closes, before a long file: read twice, not once a line.
#[test]
fn quotes_that_never_close() {
    let started = Instant::now();
    let mut text = plain(20_000);
    for _ in 0..200 {
        let at = text.len() / 3;
        let at = text[at..].find('\n').map_or(at, |next| at + next + 1);
        text.insert(at, '"');
    }
    let _ = parse(&text);
    assert!(started.elapsed() < Duration::from_secs(20), "{:?}", started.elapsed());
}
