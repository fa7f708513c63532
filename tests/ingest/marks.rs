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
    notice(&log, "\"fans\" is assumed to be off before its first mark");
    let log = read_with(text(), &marked(&["3.05=fans:60%"]));
    let fans = log.load("fans").expect("fans");
    assert!(fans[30] == 0.0 && fans[31] == 0.6);
    // The voltage rises at 4.5 s, within reach of the mark.
    let log = read_with(text(), &marked(&["3=pump:off"]));
    let pump = log.load("pump").expect("pump");
    assert!(pump[44] == 1.0 && pump[45] == 0.0);
    notice(&log, "\"pump:off\" at 3.0 s is moved 1.5 s later to the voltage response at 4.5 s");
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
            ["marks.csv, line 2", "\"soon\" is not a time", "63.2,fans,on"],
        ),
        ("soon,fans,on\n", ["marks.csv, line 1", "\"soon\" is not a time", "63.2,fans,on"]),
        ("1,fans,maybe\n", ["line 1", "\"maybe\" is not a state", "60%"]),
        ("time,load\n1,fans\n", ["line 2", "\"1 fans\" is not a mark", "three columns"]),
        (
            "time,load,state\n1,fans,on\nthen it began to rain\n",
            ["marks.csv, line 3", "\"then it began to rain\" is not a mark", "63.2,fans,on"],
        ),
        (
            "The first time, with fans on, was bad\n1,fans,on\n",
            ["marks.csv, line 1", "\"The first time\" is not a time", "14:03:10,fans,off"],
        ),
        ("fans on at about three\n", ["line 1", "is not a", "63.2,fans,on"]),
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
            &["is not a mark", "63.2=fans:on", "14:03:10=fans:off"],
        );
    }
}

/// Two minutes at ten samples a second without load columns: each of `steps` is a moment
/// and the change of the level there; `noise_v` is the height of a wobble.
fn stepped(steps: &[(f64, f64)], noise_v: f64) -> Vec<(f64, f64)> {
    (0..1200)
        .map(|i| {
            let t = f64::from(i) / 10.0;
            let level: f64 = steps.iter().filter(|step| step.0 <= t).map(|step| step.1).sum();
            let wobble = noise_v * (f64::from(i * 7 % 11) / 5.0 - 1.0);
            (t, 14.2 + level + wobble)
        })
        .collect()
}

fn as_text(samples: &[(f64, f64)]) -> String {
    let rows = samples.iter().map(|(t, v)| format!("{t:.1},{v:.3}\n"));
    format!("time_s,battery_v\n{}", rows.collect::<String>())
}

/// When the load goes on or off.
fn edges(log: &stiffbus::log::Log, load: &str) -> Vec<f64> {
    let duty = log.load(load).unwrap_or_else(|| panic!("no {load}"));
    let pairs = duty.windows(2).zip(log.time_s().iter().skip(1));
    pairs.filter(|(pair, _)| pair[0] != pair[1]).map(|(_, t)| *t).collect()
}

#[track_caller]
fn near(found: &[f64], expected: &[f64]) {
    let close = |(a, b): (&f64, &f64)| (a - b).abs() <= 0.21;
    assert!(
        found.len() == expected.len() && found.iter().zip(expected).all(close),
        "{found:?} instead of {expected:?}"
    );
}

#[test]
fn marks_are_moved_to_the_response_and_the_log_says_so() {
    let text = as_text(&stepped(&[(40.0, -0.3), (60.0, 0.3), (80.0, -0.2), (95.0, 0.2)], 0.02));
    // Early, late, right, and farther off than anybody writes.
    let marks = marked(&["41.8=fans:on", "57.5=fans:off", "80=ac:on", "99=ac:off"]);
    let log = read_with(text, &marks);
    near(&edges(&log, "fans"), &[40.0, 60.0]);
    near(&edges(&log, "ac"), &[80.0, 99.0]);
    notice(&log, "the mark \"fans:on\" at 41.8 s is moved 1.8 s earlier to the voltage response");
    notice(&log, "\"fans:off\" at 57.5 s is moved 2.5 s later");
    notice(&log, "no response within 3 s of the mark \"ac:off\" at 99.0 s");
    assert!(
        !log.source.notices.iter().any(|n| n.contains("\"ac:on\"")),
        "{:?}",
        log.source.notices
    );
    assert_eq!(log.marks.moved.len(), 2);
}

#[test]
fn a_mark_goes_to_a_response_of_its_own_direction_and_order() {
    // The voltage falls, rises and falls within six seconds.
    let text = as_text(&stepped(&[(40.0, -0.3), (42.0, 0.3), (44.0, -0.3), (70.0, 0.3)], 0.02));
    let log = read_with(text, &marked(&["41=a:on", "43=a:off", "45=b:on", "70.4=b:off"]));
    near(&edges(&log, "a"), &[40.0, 42.0]);
    near(&edges(&log, "b"), &[44.0, 70.0]);
}

#[test]
fn two_marks_close_together_share_one_response() {
    let text = as_text(&stepped(&[(40.0, -0.5), (90.0, 0.5)], 0.02));
    let log = read_with(text.clone(), &marked(&["42=fans:on", "42.9=ac:on"]));
    near(&edges(&log, "fans"), &[40.0]);
    near(&edges(&log, "ac"), &[40.0]);
    notice(&log, "shared with another mark");
    // Marked a while apart, the one without a response stays where it is.
    let log = read_with(text.clone(), &marked(&["40.5=fans:on", "42.6=ac:on"]));
    near(&edges(&log, "fans"), &[40.0]);
    near(&edges(&log, "ac"), &[42.6]);
    // On and off at once: nobody can say which way the voltage goes.
    let log = read_with(text, &marked(&["42=fans:on", "42=ac:off"]));
    near(&edges(&log, "fans"), &[42.0]);
}

#[test]
fn noise_moves_no_mark() {
    // A wobble of 0.1 V that dips now and then, and a response no deeper than it.
    let mut samples = stepped(&[(40.0, -0.01)], 0.1);
    for (t, v) in &mut samples {
        *v += 0.03 * (*t / 3.0).sin();
    }
    let log = read_with(as_text(&samples), &marked(&["41.8=fans:on"]));
    near(&edges(&log, "fans"), &[41.8]);
    assert!(log.marks.moved.is_empty());
}

#[test]
fn a_response_that_a_column_declares_is_not_the_marks() {
    let samples = stepped(&[(40.0, -0.3), (60.0, 0.3)], 0.02);
    let rows = samples
        .iter()
        .map(|(t, v)| format!("{t:.1},{v:.3},{}\n", u8::from((40.0..60.0).contains(t))));
    let text = format!("time_s,battery_v,Fan\n{}", rows.collect::<String>());
    let log = read_with(text, &marked(&["41.5=ac:on"]));
    near(&edges(&log, "ac"), &[41.5]);
    near(&edges(&log, "Fan"), &[40.0, 60.0]);
}

#[test]
fn an_engine_that_changes_speed_is_no_response() {
    let samples = stepped(&[(40.0, -0.3)], 0.02);
    let rows = samples
        .iter()
        .map(|(t, v)| format!("{t:.1},{v:.3},{}\n", if *t < 40.0 { 1500 } else { 850 }));
    let text = format!("time_s,battery_v,rpm\n{}", rows.collect::<String>());
    let log = read_with(text, &marked(&["41.5=ac:on"]));
    near(&edges(&log, "ac"), &[41.5]);
}

#[test]
fn all_off_switches_every_marked_load_off() {
    let text = as_text(&stepped(&[(40.0, -0.3), (50.0, -0.2), (80.0, 0.5)], 0.02));
    let log = read_with(text.clone(), &marked(&["40=fans:on", "50=ac:on", "81=ALL:off"]));
    near(&edges(&log, "fans"), &[40.0, 80.0]);
    near(&edges(&log, "ac"), &[50.0, 80.0]);
    assert_eq!(log.load_names(), ["fans", "ac"]);
    // Said before any load was on: nothing was on.
    let log = read_with(text.clone(), &marked(&["10=all:off", "40=fans:on"]));
    near(&edges(&log, "fans"), &[40.0]);
    let log = read_with(text, &marked(&["10=all:off"]));
    assert!(log.load_names().is_empty());
    notice(&log, "\"all:off\" changes nothing: no other mark names a load");
    let samples = stepped(&[], 0.02);
    let rows = samples.iter().map(|(t, v)| format!("{t:.1},{v:.3},1\n"));
    let text = format!("time_s,battery_v,Fan relay\n{}", rows.collect::<String>());
    let log = read_with(text, &marked(&["60=all:off"]));
    notice(&log, "\"all:off\" at 60.0 s contradicts the column \"Fan relay\"");
}

#[test]
fn marks_say_when_the_engine_runs() {
    // At rest, running from 30 s on, at rest again from 90 s on, without a starting dip.
    let text = as_text(&stepped(&[(0.0, -1.6), (30.0, 1.6), (90.0, -1.4)], 0.02));
    let log = read_with(text.clone(), &marked(&["31.5=engine:on", "90=engine:off"]));
    assert!(log.load_names().is_empty());
    let running = log.marks.engine_running.as_deref().expect("marks of the engine");
    near(&running.iter().flat_map(|s| [s.start_s, s.end_s]).collect::<Vec<_>>(), &[30.0, 90.0]);
    let diagnosis = stiffbus::diagnose(&log, &Default::default()).expect("an engine that runs");
    let kinds: Vec<_> = diagnosis.phases.iter().map(|phase| phase.kind).collect();
    use stiffbus::diagnosis::PhaseKind::{Rest, Running};
    assert_eq!(kinds, [Rest, Running, Rest]);
    let log = read_with(text.clone(), &marked(&["90=engine:off"]));
    // Without a mark of the start, the one that the voltage shows counts.
    let diagnosis = stiffbus::diagnose(&log, &Default::default()).expect("an engine that runs");
    let kinds: Vec<_> = diagnosis.phases.iter().map(|phase| phase.kind).collect();
    assert_eq!(kinds, [Rest, Running, Rest]);
    // Engine speed knows better.
    let rows = text.lines().skip(1).enumerate();
    let rows = rows.map(|(k, line)| format!("{line},{}\n", 850 + k % 7));
    let with_rpm = format!("time_s,battery_v,rpm\n{}", rows.collect::<String>());
    let log = read_with(with_rpm, &marked(&["31.5=engine:on"]));
    assert_eq!(log.marks.engine_running, None);
    notice(&log, "marks of the engine are not used: engine speed is logged");
}

#[test]
fn marks_on_the_command_line_take_clock_times() {
    let at = |start: f64, samples: &[(f64, f64)]| {
        let rows = samples.iter().map(|(t, v)| {
            let ms = ((start + t) * 1000.0).round() as u64;
            let (h, m, s) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60);
            format!("{h:02}:{m:02}:{s:02}.{:03},{v:.3}\n", ms % 1000)
        });
        format!("Time,battery_v\n{}", rows.collect::<String>())
    };
    let samples = stepped(&[(40.0, -0.3), (60.0, 0.3)], 0.02);
    let afternoon = at(14.0 * 3600.0 + 120.0, &samples);
    for (on, off) in [
        ("14:02:40", "14:03:00"),
        ("14:02:40.0", "60"),
        ("2:02:40 PM", "2:03:00 pm"),
        ("0:40", "1:00"),
    ] {
        let marks = [format!("{on}=fans:on"), format!("{off}=fans:off")];
        let log = read_with(afternoon.clone(), &marked(&marks.each_ref().map(String::as_str)));
        near(&edges(&log, "fans"), &[40.0, 60.0]);
    }
    let error = try_read(&afternoon, &marked(&["16:02:40=fans:on"])).expect_err("outside");
    says(&error.to_string(), &["no mark is within this log", "starts at 14:02:00"]);
    let error = try_read(&afternoon, &marked(&["9:00:00=fans:on"])).expect_err("long before");
    says(&error.to_string(), &["no mark is within this log"]);
    // Switched on a little before the log began.
    let log = read_with(afternoon, &marked(&["14:01:30=fans:on"]));
    notice(&log, "1 of 1 marks are before the first sample");
    assert!(log.load("fans").expect("fans").iter().all(|duty| *duty == 1.0));
    let error = try_read(as_text(&samples), &marked(&["14:02:40=fans:on"])).expect_err("no clock");
    says(&error.to_string(), &["this log has no clock time"]);
    // As the marks file takes them, and the other way round.
    let (_folder, path) = named("marks.csv", "14:02:40=fans:on\n14:03:00=fans:off\n");
    let options = ReadOptions { marks_file: Some(path), ..Default::default() };
    near(&edges(&read_with(at(50_520.0, &samples), &options), "fans"), &[40.0, 60.0]);
}

#[test]
fn a_mark_is_written_as_it_is_read() {
    for text in ["63.2=fans:on", "14:03:10=fans:60%", "2024-05-06 07:08:12=a=b:off"] {
        let mark: Mark = text.parse().expect("a mark");
        assert_eq!(mark.to_string(), text);
    }
}

#[test]
fn marks_of_another_kind_of_file_are_refused_before_they_cost_anything() {
    let rows: String =
        (0..2000).map(|k| format!("{},load {k},on\n", f64::from(k) / 20.0)).collect();
    let (_folder, path) = named("marks.csv", rows);
    let options = ReadOptions { marks_file: Some(path), ..Default::default() };
    let error = try_read(as_text(&stepped(&[], 0.02)), &options).expect_err("too many");
    says(&error.to_string(), &["name 2000 loads", "limit of 500"]);
}
