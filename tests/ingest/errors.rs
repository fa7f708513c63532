use stiffbus::ingest::{self, ReadOptions};

use crate::support::*;

#[test]
fn files_that_are_none() {
    let folder = tempfile::tempdir().expect("a folder");
    let missing = folder.path().join("gone.csv");
    let read = |path: &std::path::Path| {
        ingest::read(path, &ReadOptions::default()).expect_err("no log").to_string()
    };
    says(&read(&missing), &["gone.csv", "no such file", "Check the path"]);
    says(&read(folder.path()), &["is a directory", "Name the log file"]);
    says(&error(""), &["log.csv", "empty"]);
    says(&error("\n\n  \n"), &["log.csv", "empty"]);
}

#[test]
fn bytes_that_are_no_text() {
    says(
        &error(b"PK\x03\x04\x00\x00\x08\x00\x08\x00\x00\x00".repeat(20)),
        &["log.csv", "is a ZIP archive", "Unpack it"],
    );
    says(&error([0u8; 400]), &["is not a text file"]);
    says(
        &error(b"\x89\x01\x02\x03\x04\x05\xff\xfe\x07".repeat(30)),
        &["is not a text file", "control characters"],
    );
    says(
        &error("A letter to the workshop.\nIt holds no numbers at all.\n"),
        &["no table of numbers", "CSV"],
    );
}

#[test]
fn no_voltage_column() {
    let text = write("time_s,rpm,Throttle (V),Fan", |r| {
        format!("{:.1},{:.0},0.6{},{}", r.t, r.rpm, r.i % 9, r.fan)
    });
    says(
        &error(text),
        &[
            "log.csv",
            "no column could be the bus voltage",
            "\"Throttle\": a signal voltage",
            "\"rpm\"",
            "--column voltage=NAME",
        ],
    );
}

#[test]
fn two_that_could_be_it() {
    let text = write("time_s,Battery voltage A,Battery voltage B", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, r.v, r.v + 0.05)
    });
    says(
        &error(text),
        &[
            "log.csv",
            "\"Battery voltage A\"",
            "\"Battery voltage B\"",
            "could both be the battery voltage",
            "--column voltage.battery=\"Battery voltage A\"",
        ],
    );
}

#[test]
fn fewer_than_ten_rows() {
    let text: String = "time_s,battery_v\n".to_owned()
        + &rows(9).iter().map(|r| format!("{:.1},{:.2}\n", r.t, r.v)).collect::<String>();
    says(&error(text), &["log.csv", "9 usable rows", "at least ten are needed", "longer log"]);
}

#[test]
fn a_clock_that_stands_still() {
    let text = write("time_s,battery_v", |r| format!("5.0,{:.2}", r.v));
    says(&error(text), &["log.csv", "does not change", "\"time\"", "5", "--sample-rate"]);
    let text = write("Time,battery_v", |r| format!("07:08:09,{:.2}", r.v));
    says(&error(text), &["does not change", "--sample-rate"]);
}

#[test]
fn trucks_and_hybrids() {
    let text = |factor: f64| {
        write("time_s,Battery voltage (V)", |r| format!("{:.1},{:.2}", r.t, r.v * factor))
    };
    let log = read_with(text(2.0), &ReadOptions::default());
    close(log.bus_v(), &rows(60).iter().map(|r| r.v * 2.0).collect::<Vec<_>>(), 1e-2);
    says(&error(text(3.7)), &["log.csv", "48 V mild hybrid", "Battery voltage", "12 V side"]);
    let asked = ReadOptions {
        columns: vec!["voltage=#2".parse().expect("a request")],
        ..Default::default()
    };
    says(&try_read(text(3.7), &asked).expect_err("48 V").to_string(), &["48 V mild hybrid"]);
}

#[test]
fn a_sample_rate_that_is_none() {
    let text = write("battery_v", |r| format!("{:.2}", r.v));
    for rate in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let options = ReadOptions { sample_rate_hz: Some(rate), ..Default::default() };
        says(
            &try_read(&text, &options).expect_err("no rate").to_string(),
            &["--sample-rate", "above 0"],
        );
    }
}

#[test]
fn wild_cells_do_not_garble_messages() {
    let long = "x".repeat(5000);
    let text = format!("time_s,{long}\u{1b}[31m\n1,2\n2,3\n3,4\n");
    let message = error(text);
    assert!(message.len() < 1000 && !message.contains('\u{1b}'), "{message}");
}

#[test]
fn commas_between_cells_and_inside_numbers() {
    let text = write("Zeit,Spannung,Drehzahl", |r| {
        format!(
            "{},{},{:.0}",
            format!("{:.1}", r.t).replace('.', ","),
            format!("{:.2}", r.v).replace('.', ","),
            r.rpm
        )
    });
    says(&error(text), &["log.csv", "names 3 columns", "have 5 cells", "commas", "semicolons"]);
}

#[test]
fn a_column_of_words_asked_for_as_the_clock() {
    let text = write("name,battery_v", |r| format!("sample,{:.2}", r.v));
    let asked = ReadOptions {
        columns: vec!["time=name".parse().expect("a request")],
        ..Default::default()
    };
    let message = try_read(text, &asked).expect_err("no clock").to_string();
    says(
        &message,
        &["log.csv", "\"name\"", "no cell from line 2 on is a time", "ISO 8601", "--sample-rate"],
    );
}
