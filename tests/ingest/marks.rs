use stiffbus::ingest::{Mark, ReadOptions};

use crate::support::*;

fn text() -> String {
    write("time_s,battery_v", |r| format!("{:.1},{:.2}", r.t, r.v))
}

fn marked(marks: &[&str]) -> ReadOptions {
    ReadOptions {
        marks: marks.iter().map(|m| m.parse().expect("a mark")).collect(),
        ..Default::default()
    }
}

#[test]
fn marks_make_a_load() {
    let log = read_with(text(), &marked(&["4.5=fans:off", "3=fans:on"]));
    has_fan(&log, "fans");
    assert_eq!(role(&log, "fans"), "load");
    notice(&log, "\"fans\" is taken as off before its first mark");
    let log = read_with(text(), &marked(&["3.05=fans:60%"]));
    let fans = log.load("fans").expect("fans");
    assert!(fans[30] == 0.0 && fans[31] == 0.6);
    let log = read_with(text(), &marked(&["3=pump:off"]));
    let pump = log.load("pump").expect("pump");
    assert!(pump[29] == 1.0 && pump[30] == 0.0);
}

#[test]
fn marks_overrule_a_column_from_their_first_on() {
    let text = write("time_s,battery_v,Fan", |r| format!("{:.1},{:.2},{}", r.t, r.v, r.fan));
    let log = read_with(text, &marked(&["4=fan:off"]));
    let fan = log.load("Fan").expect("fan");
    assert!(fan[35] == 1.0 && fan[41] == 0.0 && log.load_names().len() == 1);
}

#[test]
fn a_second_file() {
    for (name, marks) in [
        ("seconds", "time,load,state\n3.0,fans,on\n4.5,fans,off\n"),
        ("semicolons", "3,0;fans;ein\n4,5;fans;aus\n"),
        ("shuffled", "State,Load,Time (s)\non,fans,3.0\noff,fans,4.5\n"),
        ("durations", "0:03.0,fans,100%\n0:04.5,fans,0%\n"),
    ] {
        let (_folder, path) = named("marks.csv", marks);
        let log = read_with(text(), &ReadOptions { marks_file: Some(path), ..Default::default() });
        assert_eq!(log.load_names(), ["fans"], "{name}");
        has_fan(&log, "fans");
    }
}

#[test]
fn marks_by_the_wall_clock() {
    let (_folder, path) =
        named("marks.csv", "time,load,state\n07:08:12,fans,on\n2024-05-06 07:08:13.5,fans,off\n");
    let text =
        write("Time,battery_v", |r| format!("2024-05-06T07:08:{:04.1},{:.2}", 9.0 + r.t, r.v));
    has_fan(
        &read_with(text, &ReadOptions { marks_file: Some(path), ..Default::default() }),
        "fans",
    );
    let (_folder, path) =
        named("marks.csv", "time,load,state\n07:08:12,fans,on\n07:08:13.5,fans,off\n");
    let text = write("Time,battery_v", |r| format!("07:08:{:04.1},{:.2}", 9.0 + r.t, r.v));
    has_fan(
        &read_with(text, &ReadOptions { marks_file: Some(path), ..Default::default() }),
        "fans",
    );
}

#[test]
fn marks_that_say_nothing() {
    let error = try_read(text(), &marked(&["99=fans:on"])).expect_err("outside").to_string();
    says(&error, &["log.csv", "lasts 5.9 s", "99.0 s"]);
    for (text_of_marks, parts) in [
        (
            "time,load,state\nsoon,fans,on\n",
            ["marks.csv, line 2", "\"soon\" is no time", "63.2,fans,on"],
        ),
        ("1,fans,maybe\n", ["line 1", "\"maybe\" is no state", "60%"]),
        ("time,load\n1,fans\n", ["line 2", "2 cells", "three columns"]),
    ] {
        let (_folder, path) = named("marks.csv", text_of_marks);
        let options = ReadOptions { marks_file: Some(path), ..Default::default() };
        says(&try_read(text(), &options).expect_err("bad marks").to_string(), &parts);
    }
    for wrong in
        ["fans:on", "x=fans:on", "3=fans", "3=fans:maybe", "3=:on", "-3=fans:on", "3=fans:140%"]
    {
        says(
            &wrong.parse::<Mark>().expect_err("no mark").to_string(),
            &["is no mark", "63.2=fans:on"],
        );
    }
}
