//! Each bad input: exit code 1, a message with the file, what was seen and what
//! to do, and nothing left on disk.

use crate::support::{Garage, csv, plain, rows};

#[track_caller]
fn refused(name: &str, bytes: impl AsRef<[u8]>, parts: &[&str]) {
    let garage = Garage::new();
    garage.put(name, bytes);
    let run = garage.run(&[name]).ends(1).complains(&[name]).complains(parts);
    assert_eq!(run.stdout, "");
    assert_eq!(garage.names(), [name], "nothing may be left");
}

#[test]
fn no_voltage_column() {
    let text =
        csv("time (s),engine rpm,fan", |r| format!("{:.1},{:.0},{}", r.t, r.rpm, u8::from(r.fan)));
    refused(
        "novolt.csv",
        text,
        &["no column could be the bus voltage", "\"engine rpm\"", "--column voltage=NAME"],
    );
}

#[test]
fn two_columns_that_could_be_it() {
    let text = csv("time (s),battery voltage 1,battery voltage 2,rpm", |r| {
        format!("{:.1},{:.2},{:.2},{:.0}", r.t, r.v, r.v + 0.05, r.rpm)
    });
    refused(
        "two.csv",
        text,
        &[
            "\"battery voltage 1\" and \"battery voltage 2\"",
            "--column voltage.battery=\"battery voltage 2\"",
        ],
    );
}

#[test]
fn fewer_than_ten_rows() {
    let text: String = plain().lines().take(9).map(|line| format!("{line}\n")).collect();
    refused("short.csv", text, &["8 usable rows", "at least ten are needed", "longer log"]);
}

#[test]
fn a_directory() {
    let garage = Garage::new();
    garage.put("day/log.csv", plain());
    garage.run(&["day"]).ends(1).complains(&["day: is a directory", "Name the log file"]);
    assert_eq!(garage.names(), ["day", "day/log.csv"]);
}

#[test]
fn a_file_that_is_no_text() {
    let bytes: Vec<u8> = (0..4000u32).map(|i| (i * 7919 % 251) as u8).collect();
    refused("sheet.xlsx", bytes, &["is not a text file", "Export the log as CSV"]);
    refused("letter.txt", "Dear workshop,\nit squeals.\n", &["no table of numbers", "CSV"]);
    refused("empty.csv", "", &["is empty", "Export the log again"]);
}

#[test]
fn a_file_that_is_not_there() {
    let garage = Garage::new();
    garage.run(&["gone.csv"]).ends(1).complains(&["gone.csv: no such file", "spelling"]);
    assert!(garage.names().is_empty());
}

#[test]
fn an_engine_that_never_runs() {
    let text = csv("time (s),battery voltage (V),engine rpm", |r| {
        format!("{:.1},{:.2},0", r.t, 12.60 + 0.01 * (r.i % 3) as f64)
    });
    refused(
        "parked.csv",
        text,
        &[
            "the engine never runs",
            "between 12.60 and 12.62 V",
            "at most 0 rpm",
            "let it idle",
            "--column voltage=NAME",
        ],
    );
}

#[test]
fn a_48_v_system() {
    let text = csv("time (s),battery voltage (V),engine rpm", |r| {
        format!("{:.1},{:.2},{:.0}", r.t, 3.7 * r.v, r.rpm)
    });
    refused("hybrid.csv", text, &["48 V", "mild hybrid", "battery voltage", "12 V side"]);
}

#[test]
fn no_clock_at_all() {
    let text = csv("battery voltage (V),engine rpm", |r| format!("{:.2},{:.0}", r.v, r.rpm));
    refused("notime.csv", text, &["no time column", "--sample-rate"]);
}

#[test]
fn bad_cells_are_counted_located_and_survived() {
    let garage = Garage::new();
    let text = csv("time (s),battery voltage (V),engine rpm,fan", |r| {
        let volts = match r.i {
            500 => "ERR#3".to_owned(),
            501 => "1e999".to_owned(),
            _ => format!("{:.2}", r.v),
        };
        let rpm = if r.i == 700 { "8x0".to_owned() } else { format!("{:.0}", r.rpm) };
        format!("{:.1},{volts},{rpm},{}", r.t, u8::from(r.fan))
    });
    garage.put("log.csv", text);
    let said = garage.run(&["log.csv", "--json", "-"]).ends(0).json();
    let source = &said["source"];
    assert_eq!(source["bad_cells"], 3, "{source}");
    // The header is line 1, so sample 500 stands on line 502.
    assert_eq!(source["bad_cells_first"][0]["line"], 502, "{source}");
    assert_eq!(source["bad_cells_first"][0]["found"], "ERR#3", "{source}");
    assert_eq!(source["rows_read"], rows().len() - 2, "{source}");
    assert_eq!(said["verdict"]["word"], "falls short at idle");
    assert!(garage.text("stiffbus-report/log/report.html").contains("ERR#3"));
}

/// A slow logger sees each loss of contact as one sample far off: that is a finding, and
/// neither noise nor a bus that slips.
#[test]
fn a_contact_lost_for_single_samples_is_found() {
    let mut text = "time_s,bus_v,engine_rpm,fan\n".to_owned();
    for k in 0..300 {
        let noise_v = f64::from(k * 7919 % 13 - 6) * 0.004;
        let bus_v = if [20, 45, 90, 200].contains(&k) { 7.5 } else { 14.2 + noise_v };
        let fan = u8::from((60..120).contains(&k));
        text.push_str(&format!("{k},{bus_v:.3},{},{fan}\n", 850 + k % 5));
    }
    let garage = Garage::new();
    garage.put("log.csv", text);
    let said = garage.run(&["log.csv", "--json", "-"]).ends(0).json();
    let findings = said["findings"].as_array().expect("findings");
    assert!(findings.iter().any(|finding| finding["id"] == "drop-outs"), "{findings:?}");
    let sigma_v = said["noise"]["sigma_v"].as_f64().expect("noise");
    // Thirteen levels 4 mV apart, each as often: √((13² − 1)/12) · 4 mV = 15 mV.
    assert!((sigma_v - 0.015).abs() < 0.003, "{sigma_v}");
    for point in said["operating_points"].as_array().expect("points") {
        assert_eq!(point["state"], "holding", "{point}");
    }
}
