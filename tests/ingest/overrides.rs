use stiffbus::ingest::{ReadOptions, RoleRequest};
use stiffbus::log::{Role, Tap};

use crate::support::*;

fn asking(requests: &[&str]) -> ReadOptions {
    ReadOptions {
        columns: requests.iter().map(|r| r.parse::<RoleRequest>().expect("a request")).collect(),
        ..Default::default()
    }
}

#[test]
fn by_name_in_any_case_or_by_number() {
    let text = write("a,b,c,d", |r| format!("{:.1},{:.2},{:.0},{}", r.t, r.v, r.rpm, r.fan));
    for requests in [
        ["time=A", "voltage=B", "engine_rpm=c", "load=d"],
        ["time=#1", "voltage.battery=#2", "engine_rpm=#3", "load=#4"],
    ] {
        let log = read_with(&text, &asking(&requests));
        is_the_log(&log);
        has_rpm(&log);
        has_fan(&log, "d");
        says(&why(&log, "b"), &["requested"]);
    }
}

#[test]
fn the_header_text_with_its_unit() {
    let text = write("time_s,Battery 1 [V],Battery 2 [V]", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, r.v, r.v - 0.4)
    });
    let log = read_with(&text, &asking(&["voltage=battery 1 [v]"]));
    is_the_log(&log);
    let log = read_with(&text, &asking(&["voltage=Battery 1", "voltage.alternator=Battery 2"]));
    assert_eq!(role(&log, "Battery 2"), "voltage.alternator");
}

#[test]
fn a_column_may_be_ignored() {
    let text = write("time_s,battery_v,Fan", |r| format!("{:.1},{:.2},{}", r.t, r.v, r.fan));
    assert!(read_with(&text, &asking(&["ignored=Fan"])).load_names().is_empty());
}

#[test]
fn a_name_that_is_not_there() {
    let text = write("time_s,battery_v,Fan", |r| format!("{:.1},{:.2},{}", r.t, r.v, r.fan));
    let error =
        try_read(&text, &asking(&["voltage=batery_v"])).expect_err("no such column").to_string();
    says(&error, &["log.csv", "\"batery_v\"", "did you mean \"battery_v\"", "\"Fan\""]);
    let error = try_read(&text, &asking(&["voltage=#9"])).expect_err("no such column").to_string();
    says(&error, &["\"#9\"", "\"time\""]);
    let error =
        try_read(&text, &asking(&["voltage=#1", "voltage=#2"])).expect_err("twice").to_string();
    says(&error, &["voltage.battery twice", "Keep one"]);
}

#[test]
fn requests_are_parsed_or_refused() {
    let parse = |text: &str| text.parse::<RoleRequest>();
    assert_eq!(parse("voltage=X").map(|r| r.role), Ok(Role::Voltage(Tap::Battery)));
    assert_eq!(
        parse("voltage.module = a=b").map(|r| (r.role, r.name)),
        Ok((Role::Voltage(Tap::Module), "a=b".into()))
    );
    says(
        &parse("volts=X").expect_err("no role").to_string(),
        &["\"volts\" is not a role", "temperature.coolant"],
    );
    says(&parse("voltage").expect_err("no name").to_string(), &["does not name a column"]);
    says(&parse("load=").expect_err("no name").to_string(), &["does not name a column"]);
    assert!(parse("temperature=X").is_err());
}
