//! The clock is the column that behaves like one: invented columns of every kind.

use stiffbus::ingest::ReadOptions;
use stiffbus::log::Log;

use crate::support::*;

/// 2000 rows, about two a second, of an engine computer that is read in turn: rest, a start
/// and running. Each line by row number and seconds.
fn drive(header: &str, line: impl Fn(usize, f64) -> String) -> String {
    let mut text = format!("{header}\n");
    for row in 0..2000 {
        text.push_str(&line(row, row as f64 * 0.5));
        text.push('\n');
    }
    text
}

/// Rest for 20 s, a dip, then running; noise of a few millivolts in every row.
fn volts(row: usize) -> f64 {
    let noise = 0.003 * ((row * 7919) % 13) as f64;
    match row {
        0..40 => 12.5 + noise,
        40..43 => 10.2 + noise,
        _ => 14.1 + noise,
    }
}

#[track_caller]
fn clock_is(log: &Log, column: &str, duration_s: f64) {
    assert_eq!(log.source.clock_columns, [column], "{:?}", log.source.clock_candidates);
    let off_s = (log.source.duration_s - duration_s).abs();
    assert!(off_s < 0.02 * duration_s, "{} s for {duration_s}", log.source.duration_s);
}

/// Whole seconds since the engine started, 0 until then; a new value every four rows.
fn run_time(row: usize) -> usize {
    2 * (row.saturating_sub(42) / 4)
}

#[test]
fn a_run_time_counter_beats_clocks_that_stand_or_hardly_tick() {
    let log = read(drive("RUN_TIME_ENGIN,RPM,Batt (V),TIME_LAMP_ON,TIME_SINCE_RESET", |row, t| {
        let rpm = if row < 43 { 0 } else { 820 + row % 9 };
        format!("{},{rpm},{:.3},0,{}", run_time(row), volts(row), 4711 + (t / 60.0) as usize)
    }));
    clock_is(&log, "RUN_TIME_ENGIN", 1000.0);
    notice(&log, "the clock is stopped for");
    assert!((log.source.sample_interval_s - 0.5).abs() < 0.02);
    // The rows before the engine starts hold the rest voltage and the start.
    let start_s = log.time_s()[43];
    assert!((start_s - 21.5).abs() < 2.5, "{start_s}");
    let candidates: Vec<&str> =
        log.source.clock_candidates.iter().map(|other| other.name.as_str()).collect();
    assert_eq!(candidates, ["TIME_SINCE_RESET", "TIME_LAMP_ON"]);
}

#[test]
fn a_run_time_counter_that_begins_anew_is_carried_on() {
    // The engine stalls after 500 s and starts again 20 s later.
    let log = read(drive("run_time,Batt (V)", |row, _| {
        let count = if row < 1000 { run_time(row) } else { run_time(row - 1000) };
        format!("{count},{:.3}", volts(row % 1000))
    }));
    clock_is(&log, "run_time", 1000.0);
    notice(&log, "restarts once");
    assert_eq!(log.len(), 2000);
}

#[test]
fn minutes_and_seconds_tell_each_other() {
    let log = read(drive("alpha,beta,Batt (V)", |row, t| {
        format!("{:.5},{:.1},{:.3}", t / 60.0, t, volts(row))
    }));
    assert!((log.source.duration_s - 999.5).abs() < 0.1, "{}", log.source.duration_s);
    let log = read(drive("alpha,Batt (V),beta", |row, t| {
        format!("{:.0},{:.3},{:.1}", 1000.0 * t, volts(row), t)
    }));
    assert!((log.source.duration_s - 999.5).abs() < 0.1, "{}", log.source.duration_s);
}

#[test]
fn names_only_break_ties() {
    // "time on" advances once in two hundred rows; "xq" is the clock.
    let log = read(drive("time on,xq,Batt (V)", |row, t| {
        format!("{},{:.2},{:.3}", row / 200, 100.0 + t, volts(row))
    }));
    clock_is(&log, "xq", 999.5);
    notice(&log, "\"xq\" is used as the clock because it behaves like one");
    // Of two that run alike the one that says so.
    let log = read(drive("xq,Elapsed,Batt (V)", |row, t| {
        format!("{:.2},{:.2},{:.3}", 7.0 + t, t, volts(row))
    }));
    clock_is(&log, "Elapsed", 999.5);
    // A misspelled name is a name.
    let log = read(drive("zz,Tiem,Batt (V)", |row, t| {
        format!("{:.2},{:.2},{:.3}", 7.0 + t, t, volts(row))
    }));
    clock_is(&log, "Tiem", 999.5);
}

#[test]
fn what_only_grows_is_no_clock() {
    for name in ["Distance", "Odometer", "Index", "Ah total", "Coolant temp"] {
        let text = drive(&format!("{name},Batt (V)"), |row, t| {
            format!("{:.1},{:.3}", 2.0 * t, volts(row))
        });
        says(&error(&text), &["no time column", "--sample-rate"]);
    }
}

#[test]
fn two_clocks_that_disagree_are_a_question() {
    let text = drive("time_s,clock_s,Batt (V)", |row, t| {
        format!("{:.1},{:.1},{:.3}", t, 1.7 * t, volts(row))
    });
    says(
        &error(&text),
        &["two columns behave like clocks", "\"time\"", "\"clock\"", "--column time=NAME"],
    );
    let column = "time=clock_s".parse().expect("a role request");
    let options = ReadOptions { columns: vec![column], ..Default::default() };
    clock_is(&read_with(&text, &options), "clock", 1699.2);
}

#[test]
fn a_counter_that_wraps_goes_on() {
    for (header, period) in [("millis", 65_536), ("t (ms)", 1_000_000)] {
        let log = read(drive(&format!("{header},Batt (V)"), |row, t| {
            format!("{},{:.3}", (5000 + (1000.0 * t) as u64) % period, volts(row))
        }));
        assert!((log.source.duration_s - 999.5).abs() < 0.1, "{}", log.source.duration_s);
        if period == 65_536 {
            notice(&log, "restarts at 0 15 times");
        }
        assert_eq!(log.len(), 2000);
    }
}

#[test]
fn newest_rows_first() {
    let mut lines: Vec<String> =
        (0..300).map(|row| format!("{:.1},{:.3}", row as f64 * 0.5, volts(row))).collect();
    lines.reverse();
    let log = read(format!("Time,Batt (V)\n{}\n", lines.join("\n")));
    clock_is(&log, "Time", 149.5);
    notice(&log, "read oldest first");
    assert!((log.bus_v()[0] - 12.5).abs() < 0.05);
}

#[test]
fn shuffled_rows_are_told_with_the_way_out() {
    let text = drive("Time,Batt (V)", |row, _| {
        format!("{:.1},{:.3}", 0.5 * ((row * 617) % 2000) as f64, volts(row))
    });
    says(&error(&text), &["no time column", "\"Time\" goes back", "sort them by it"]);
}

#[test]
fn ten_second_loggers() {
    let log = read(drive("No,Zeit,U (V)", |row, _| {
        let s = row * 10;
        format!(
            "{row},06.06.2020 {:02}:{:02}:{:02},{:.2}",
            14 + s / 3600,
            s / 60 % 60,
            s % 60,
            volts(row)
        )
    }));
    clock_is(&log, "Zeit", 19_990.0);
    assert!((log.source.sample_interval_s - 10.0).abs() < 1e-9);
    let log = read(drive("t,Batt (V)", |row, _| format!("{},{:.2}", row * 10, volts(row))));
    clock_is(&log, "t", 19_990.0);
}

#[test]
fn uneven_sampling_and_pauses() {
    let log = read(drive("x,Batt (V),time", |row, t| {
        let late = 0.2 * ((row * 31) % 7) as f64 / 7.0 + if row > 1200 { 90.0 } else { 0.0 };
        format!("{},{:.3},{:.2}", row % 5, volts(row), t + late)
    }));
    clock_is(&log, "time", 1089.5);
    assert_eq!(log.source.gaps.len(), 1);
}

#[test]
fn one_reading_a_row() {
    let mut text = String::from("our logger\ntime,channel,value,unit\n");
    for row in 0..400 {
        let t = row as f64 * 0.5;
        text += &format!("{t:.1},engine speed,{},rpm\n", if row < 43 { 0 } else { 830 + row % 7 });
        text += &format!("{t:.1},battery voltage,{:.3},V\n", volts(row));
        text += &format!("{:.1},fan relay,{},\n", t + 0.1, usize::from(row > 200));
    }
    let log = read(&text);
    notice(&log, "each row holds one reading");
    clock_is(&log, "time", 199.5);
    assert_eq!(log.len(), 400);
    assert_eq!(role(&log, "engine speed"), "engine_rpm");
    assert_eq!(role(&log, "fan relay"), "load");
    for row in [10, 100, 300] {
        assert!((log.bus_v()[row] - volts(row)).abs() < 6e-4);
        let rpm = log.engine_rpm().expect("speed")[row];
        assert_eq!(rpm, if row < 43 { 0.0 } else { 830.0 + (row % 7) as f64 });
    }
    assert_eq!(log.load("fan relay").expect("a load")[300], 1.0);
}

/// Its units tell, where no name does; words beside one voltage are no channels.
#[test]
fn one_reading_a_row_under_names_that_say_nothing() {
    let mut text = String::from("when,what,it said,unit\n");
    for row in 0..400 {
        text += &format!("{row},engine speed,{},rpm\n", if row < 43 { 0 } else { 830 + row % 7 });
        text += &format!("{row},battery voltage,{:.3},V\n", volts(row));
    }
    let log = read(&text);
    notice(&log, "each row holds one reading");
    assert_eq!(role(&log, "engine speed"), "engine_rpm");
    assert!((log.bus_v()[300] - volts(300)).abs() < 6e-4);

    let mut text = String::from("time,driver,volts,unit\n");
    for row in 0..400 {
        text += &format!(
            "{row},{},{:.3},V\n",
            if row < 200 { "idling" } else { "driving" },
            volts(row)
        );
    }
    assert!(role(&read(&text), "volts").starts_with("voltage"));
}

#[test]
fn a_polled_logger_repeats_what_it_did_not_read() {
    // Speed is read in the first row of each round of three or four, the voltage in the second.
    let (mut rpm, mut v, mut round, mut place, mut length) = (0.0, 0.0, 0usize, 0usize, 3usize);
    let mut text = String::from("run time,RPM,Batt (V)\n");
    for row in 0..2000 {
        if place == length {
            (round, place) = (round + 1, 0);
            length = 3 + usize::from(round % 3 > 0);
        }
        if place == 0 {
            rpm = if row < 43 { 0.0 } else { 820.0 + ((round * 37) % 41) as f64 };
        }
        if place == 1 || row == 0 {
            v = volts(row);
        }
        place += 1;
        text += &format!("{:.1},{rpm},{v:.3}\n", row as f64 * 0.5);
    }
    let log = read(&text);
    notice(&log, "the logger reads its channels in turn");
    assert!(log.len().abs_diff(545) <= 3, "{}", log.len());
    let (count, _) = skipped(&log, "voltage repeated from an earlier row, not measured again");
    assert_eq!(count + log.len(), 2000);
    // Engine speed at the voltage's moment lies between its own two readings.
    let rpm = log.engine_rpm().expect("a speed");
    assert!(rpm.iter().all(|rpm| *rpm == 0.0 || (820.0..=860.0).contains(rpm)));
    assert!(rpm.iter().filter(|rpm| rpm.fract() != 0.0).count() > log.len() / 3);
}

#[test]
fn a_channel_that_is_read_in_every_row_is_not_thinned() {
    let noisy = |row: usize| 14.0 + 0.01 * ((row * 7919) % 13) as f64;
    let coarse = |row: usize| 14.0 + 0.1 * (row / 12 % 2) as f64;
    let ramp = |row: usize| 12.6 + 0.01 * (row / 12) as f64;
    let shapes: [&dyn Fn(usize) -> f64; 3] = [&noisy, &coarse, &ramp];
    for volts in shapes {
        let row = |row: usize| format!("{:.1},{:.2}\n", row as f64 * 0.5, volts(row));
        let rows: String = (0..400).map(row).collect();
        assert_eq!(read(format!("time (s),Batt (V)\n{rows}")).len(), 400);
    }
}

#[test]
fn hours_minutes_and_seconds_may_be_one_number() {
    let at = |seconds: usize| {
        let (h, m, s) = (seconds / 3600 % 24, seconds / 60 % 60, seconds % 60);
        format!("{h:02}{m:02}{s:02}")
    };
    // From 23:50 over midnight, two rows a second.
    let log = read(drive("CLK,BATT_V,N_ENG", |row, t| {
        format!("{},{:.3},{}", at(85_800 + t as usize), volts(row), if row < 43 { 0 } else { 850 })
    }));
    clock_is(&log, "CLK", 1000.0);
    notice(&log, "passes midnight");
    // A time that no clock shows is a bad cell, and the row is left out.
    let log = read(drive("CLK,BATT_V,N_ENG", |row, t| {
        let time = if row == 1990 { "999999".to_owned() } else { at(32_000 + t as usize) };
        format!("{time},{:.3},{}", volts(row), if row < 43 { 0 } else { 850 })
    }));
    clock_is(&log, "CLK", 1000.0);
    assert_eq!(log.source.rows_read, 1999);
}
