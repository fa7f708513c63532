use stiffbus::ingest::ReadOptions;

use crate::support::*;

#[track_caller]
fn reads(header: &str, stamp: impl Fn(&Row) -> String, clock: &str) -> stiffbus::log::Log {
    let log = read(write(&format!("{header},Battery voltage,RPM"), |r| {
        format!("{},{:.2},{:.0}", stamp(r), r.v, r.rpm)
    }));
    is_the_log_within(&log, 2e-6, 1e-9);
    has_rpm(&log);
    assert_eq!(log.source.clock, clock);
    assert!((log.source.sample_interval_s - 0.1).abs() < 1e-6);
    log
}

fn hms(seconds: f64) -> String {
    let ms = (seconds * 1000.0).round() as u64;
    format!("{}:{:02}:{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

#[test]
fn seconds_milliseconds_microseconds() {
    reads("Time", |r| format!("{:.1}", r.t), "seconds");
    reads("Time", |r| format!("{:.3}", r.t + 1234.0), "seconds");
    reads("Time (ms)", |r| format!("{}", r.i * 100), "milliseconds");
    reads("Time", |r| format!("{}", r.i * 100 + 5000), "milliseconds");
    reads("millis", |r| format!("{}", r.i * 100), "milliseconds");
    reads("timestamp_us", |r| format!("{}", r.i * 100_000), "microseconds");
    reads("Time", |r| format!("{}", r.i * 100_000), "microseconds");
    reads("time_min", |r| format!("{:.9}", r.t / 60.0), "minutes");
}

#[test]
fn hours_minutes_seconds() {
    reads("Time", |r| hms(r.t), "h:mm:ss");
    reads("Time", |r| hms(r.t + 12345.6), "h:mm:ss");
    reads("Time", |r| hms(r.t + 50_000.0).replace('.', ":"), "h:mm:ss");
    reads("Zeit", |r| format!("\"{}\"", hms(r.t + 100.0).replace('.', ",")), "h:mm:ss");
    reads("Time", |r| format!("{:02}:{:04.1}", 7 + r.i / 600, r.t), "m:ss");
    reads("Time", |r| format!("{} PM", hms(r.t + 3700.0)), "h:mm:ss");
}

#[test]
fn past_midnight_and_past_the_hour() {
    let log = reads("Time", |r| hms((r.t + 86_397.0) % 86_400.0), "h:mm:ss");
    notice(&log, "passes midnight 1 time");
    let log = reads(
        "Time",
        |r| {
            let t = (r.t + 3597.0) % 3600.0;
            format!("{:02}:{:04.1}", (t / 60.0) as u32, t % 60.0)
        },
        "m:ss",
    );
    notice(&log, "passes the full hour 1 time");
}

#[test]
fn iso_8601() {
    let start = "2024-05-06T07:08:09";
    let iso = |r: &Row, tail: &str, between: &str| {
        let ms = 9_000 + r.i * 100;
        format!("2024-05-06{between}07:08:{:02}.{:03}{tail}", ms / 1000, ms % 1000)
    };
    for (tail, between) in
        [("", "T"), ("Z", "T"), ("+02:00", "T"), ("-0530", "T"), ("", " "), (" UTC", " ")]
    {
        let log = reads("Timestamp", |r| iso(r, tail, between), "ISO 8601");
        assert_eq!(
            log.source.started_at.map(|at| at.format("%Y-%m-%dT%H:%M:%S").to_string()).as_deref(),
            Some(start)
        );
    }
    reads("Time", |r| format!("20240506T0708{:02}.{}", 9 + r.i / 10, r.i % 10), "ISO 8601");
    reads("Time", |r| format!("2024/05/06 07:08:{:02}.{}", 9 + r.i / 10, r.i % 10), "ISO 8601");
}

#[test]
fn an_offset_that_changes_with_the_season() {
    let log = reads(
        "Time",
        |r| {
            if r.t < 3.0 {
                format!("2024-10-27T02:59:{:04.1}+02:00", 57.0 + r.t)
            } else {
                format!("2024-10-27T02:00:{:04.1}+01:00", r.t - 3.0)
            }
        },
        "ISO 8601",
    );
    assert!(log.source.gaps.is_empty());
}

#[test]
fn day_first_and_month_first() {
    let seconds = |r: &Row| format!("{:04.1}", 9.0 + r.t);
    let day =
        |log: stiffbus::log::Log| log.source.started_at.map(|at| at.format("%Y-%m-%d").to_string());
    let log = reads("Datum Zeit", |r| format!("06.05.2024 07:08:{}", seconds(r)), "date and time");
    assert_eq!(day(log).as_deref(), Some("2024-05-06"));
    let log = reads("Time", |r| format!("5/16/2024 7:08:{} AM", seconds(r)), "date and time");
    assert_eq!(day(log).as_deref(), Some("2024-05-16"));
    let log = reads("Time", |r| format!("16/05/24 07:08:{}", seconds(r)), "date and time");
    assert_eq!(day(log).as_deref(), Some("2024-05-16"));
    let log = reads("Time", |r| format!("16-May-2024 07:08:{}", seconds(r)), "date and time");
    assert_eq!(day(log).as_deref(), Some("2024-05-16"));
    let log = reads("Time", |r| format!("05/06/2024 07:08:{}", seconds(r)), "date and time");
    notice(&log, "whether day or month comes first");
}

#[test]
fn date_and_time_in_two_columns() {
    let log = reads(
        "Date,Time",
        |r| {
            let t = r.t + 86_398.0;
            let day = if t >= 86_400.0 { "07.05.2024" } else { "06.05.2024" };
            format!("{day},{}", hms(t % 86_400.0))
        },
        "date and time in two columns",
    );
    assert_eq!(role(&log, "Date"), "time");
    assert_eq!(role(&log, "Time"), "time");
    assert!(log.source.started_at.is_some());
}

#[test]
fn spreadsheet_days() {
    // Day 45418 is 2024-05-06: 25569 is 1970-01-01 in the 1900 date system (common practice, no source).
    let log = read(write("Time,Battery voltage,RPM", |r| {
        format!("{:.10},{:.2},{:.0}", 45_418.25 + r.t / 86_400.0, r.v, r.rpm)
    }));
    is_the_log_within(&log, 1e-5, 1e-9);
    assert_eq!(log.source.clock, "spreadsheet days");
    assert_eq!(
        log.source.started_at.map(|at| at.format("%Y-%m-%d %H:%M").to_string()).as_deref(),
        Some("2024-05-06 06:00")
    );
}

#[test]
fn unix_time() {
    // 1714979289 is 2024-05-06T07:08:09Z, by GNU date.
    for (text, clock) in [
        (
            write("time,Battery V,RPM", |r| {
                format!("{:.1},{:.2},{:.0}", 1_714_979_289.0 + r.t, r.v, r.rpm)
            }),
            "Unix seconds",
        ),
        (
            write("epoch,Battery V,RPM", |r| {
                format!("{},{:.2},{:.0}", 1_714_979_289_000u64 + r.i as u64 * 100, r.v, r.rpm)
            }),
            "Unix milliseconds",
        ),
        (
            write("ts,Battery V,RPM", |r| {
                format!(
                    "{},{:.2},{:.0}",
                    1_714_979_289_000_000u64 + r.i as u64 * 100_000,
                    r.v,
                    r.rpm
                )
            }),
            "Unix microseconds",
        ),
    ] {
        let log = read(text);
        is_the_log_within(&log, 1e-6, 1e-9);
        assert_eq!(log.source.clock, clock);
        assert_eq!(
            log.source.started_at.map(|at| at.to_string()).as_deref(),
            Some("2024-05-06 07:08:09")
        );
    }
}

#[test]
fn no_time_column() {
    let text = write("Battery voltage,RPM", |r| format!("{:.2},{:.0}", r.v, r.rpm));
    let log = read_with(&text, &ReadOptions { sample_rate_hz: Some(10.0), ..Default::default() });
    is_the_log(&log);
    assert_eq!(log.source.clock, "sample rate given");
    says(
        &error(&text),
        &["log.csv", "no time column", "Battery voltage", "--sample-rate", "--column time=NAME"],
    );
}

#[test]
fn a_sample_counter_is_no_clock() {
    let text = write("Index,Battery voltage,RPM", |r| format!("{},{:.2},{:.0}", r.i, r.v, r.rpm));
    says(&error(&text), &["no time column", "--sample-rate"]);
}

#[test]
fn stamps_of_whole_seconds_are_spread() {
    let log = read(write("Time,Battery voltage,RPM", |r| {
        format!("07:08:{:02},{:.2},{:.0}", 10 + r.i / 10, r.v, r.rpm)
    }));
    is_the_log(&log);
    notice(&log, "about 10 rows share each time stamp");
    // The first stamp is cut into: four rows of ten.
    let text: String = "Time,Battery voltage\n".to_owned()
        + &rows(60)
            .iter()
            .skip(6)
            .map(|r| format!("07:08:{:02},{:.2}\n", 10 + r.i / 10, r.v))
            .collect::<String>();
    let log = read(text);
    close(log.time_s(), &(0..54).map(|i| f64::from(i) / 10.0).collect::<Vec<_>>(), 1e-6);
}

#[test]
fn a_clock_that_restarts() {
    let mut text = String::from("time_s,battery_v\n");
    for i in 0..20 {
        text.push_str(&format!("{:.1},12.6\n", f64::from(i) / 10.0));
    }
    for row in rows(60) {
        text.push_str(&format!("{:.1},{:.2}\n", row.t, row.v));
    }
    let log = read(text);
    is_the_log(&log);
    assert_eq!(skipped(&log, "in a shorter stretch of a clock that restarts"), (20, 2));
    notice(&log, "the clock restarts 1 time; the longest stretch is kept (60 rows from line 22)");
}

#[test]
fn a_clock_that_is_set_back() {
    let log = read(write("Time,Battery voltage", |r| {
        let shift = if r.i >= 40 { -2.0 } else { 0.0 };
        format!("{},{:.2}", hms(40_000.0 + r.t + shift), r.v)
    }));
    is_the_log(&log);
    notice(&log, "the clock was set back 1 time by");
}

#[test]
fn single_steps_back_repeats_and_jumps() {
    let mut lines: Vec<String> =
        rows(60).iter().map(|r| format!("{:.1},{:.2}", r.t, r.v)).collect();
    lines.insert(20, "0.7,13.3".into());
    lines.insert(35, lines[34].clone());
    lines.insert(50, "999.9,13.3".into());
    let log = read(format!("time_s,battery_v\n{}\n", lines.join("\n")));
    is_the_log(&log);
    assert_eq!(skipped(&log, "time steps back"), (1, 22));
    assert_eq!(skipped(&log, "repeated time"), (1, 37));
    assert_eq!(skipped(&log, "time jumps ahead and returns"), (1, 52));
}

#[test]
fn jitter_and_gaps_are_told() {
    let late = |i: usize| 0.001 * ((i * i) % 11) as f64;
    let time = |r: &Row| r.t + late(r.i) + if r.i >= 30 { 5.0 } else { 0.0 };
    let log = read(write("time_s,battery_v", |r| format!("{:.3},{:.2}", time(r), r.v)));
    let rows = rows(60);
    assert_eq!(log.source.gaps.len(), 1);
    let gap = log.source.gaps[0];
    assert!(
        (gap.start_s - time(&rows[29])).abs() < 1e-9 && (gap.end_s - time(&rows[30])).abs() < 1e-9
    );
    // 1.4826 × median absolute deviation, as `Source` defines it, worked out here.
    let median = |mut x: Vec<f64>| {
        x.sort_by(f64::total_cmp);
        x[x.len() / 2]
    };
    let steps: Vec<f64> = rows.windows(2).map(|p| time(&p[1]) - time(&p[0])).collect();
    let middle = median(steps.clone());
    let sigma = 1.4826 * median(steps.iter().map(|s| (s - middle).abs()).collect());
    assert!((log.source.sample_interval_s - middle).abs() < 1e-9);
    assert!(
        (log.source.jitter_s - sigma).abs() < 1e-5 && sigma > 1e-3,
        "{} {sigma}",
        log.source.jitter_s
    );
}

#[test]
fn unreadable_times_are_counted() {
    let mut lines: Vec<String> =
        rows(60).iter().map(|r| format!("{:.1},{:.2}", r.t, r.v)).collect();
    lines.insert(20, "??,13.3".into());
    lines.insert(21, "abc,13.3".into());
    let log = read(format!("time_s,battery_v\n{}\n", lines.join("\n")));
    is_the_log(&log);
    assert_eq!(skipped(&log, "time not readable"), (2, 22));
}

#[test]
fn a_text_clock_may_have_any_name() {
    reads("recorded_at", |r| format!("2024-05-06T07:08:{:04.1}+01:00", 9.0 + r.t), "ISO 8601");
}

#[test]
fn whole_numbers_in_steps_of_ten_are_told_as_a_choice() {
    let log = read(write("Time,battery_v", |r| format!("{},{:.2}", r.i * 10, r.v)));
    assert_eq!(log.source.clock, "seconds");
    notice(&log, "the time column \"Time\" has no unit; it is read as s");
}
