use crate::support::*;

#[test]
fn rows_that_are_no_samples_are_counted_with_their_lines() {
    let mut lines: Vec<String> =
        rows(60).iter().map(|r| format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)).collect();
    lines.insert(10, String::new()); // line 12
    lines.insert(11, ",,".into()); // line 13
    lines.insert(20, "1.75,13.0".into()); // line 22
    lines.insert(30, "2.75,13.0,850,7,8".into()); // line 32
    let text = format!("time_s,battery_v,rpm\n{}\n6.0,13", lines.join("\n"));
    let log = read(text);
    is_the_log(&log);
    has_rpm(&log);
    assert_eq!(skipped(&log, "blank row"), (2, 12));
    assert_eq!(skipped(&log, "ragged row: too few cells"), (1, 22));
    assert_eq!(skipped(&log, "ragged row: too many cells"), (1, 32));
    assert_eq!(skipped(&log, "truncated last row"), (1, 66));
    assert_eq!(log.source.rows_read, 60);
}

#[test]
fn bad_cells_are_located() {
    let mut lines: Vec<String> =
        rows(60).iter().map(|r| format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)).collect();
    lines[20] = format!("2.0,{:.2},8x5", rows(60)[20].v);
    lines.insert(40, "3.95,oops,850".into());
    let log = read(format!("time_s,battery_v,rpm\n{}\n", lines.join("\n")));
    is_the_log(&log);
    assert_eq!(log.source.bad_cells, 2);
    let told: Vec<_> = log
        .source
        .bad_cells_first
        .iter()
        .map(|c| (c.line, c.column.as_str(), c.found.as_str()))
        .collect();
    assert_eq!(told, [(22, "rpm", "8x5"), (42, "battery", "oops")]);
    assert_eq!(skipped(&log, "no voltage in this row"), (1, 42));
}

#[test]
fn one_channel_a_row() {
    let mut text = String::from("time_s,battery_v,rpm,Coolant (°C),Fan\n");
    for r in rows(60) {
        text.push_str(&format!("{:.3},,{:.0},,\n", r.t, r.rpm));
        text.push_str(&format!("{:.3},{:.2},,,\n", r.t + 0.01, r.v));
        if r.i % 10 == 0 {
            text.push_str(&format!("{:.3},,,{:.0},\n", r.t + 0.02, r.coolant_c));
        }
        text.push_str(&format!("{:.3},,,,{}\n", r.t + 0.03, r.fan));
    }
    let log = read(text);
    is_the_log(&log);
    has_rpm(&log);
    assert_eq!(skipped(&log, "no voltage in this row"), (126, 2));
    // The fan's state is written after the voltage: it is known one row later.
    let fan = log.load("Fan").expect("a fan");
    assert!(fan[0].is_nan() && fan[31] == 1.0 && fan[30] == 0.0);
}

#[test]
fn a_stale_value_is_not_held() {
    let text = write("time_s,battery_v,rpm", |r| {
        let rpm = if r.i < 30 { format!("{:.0}", r.rpm) } else { String::new() };
        format!("{:.1},{:.2},{rpm}", r.t, r.v)
    });
    let log = read(text);
    let rpm = log.engine_rpm().expect("rpm");
    assert!(!rpm[34].is_nan() && rpm[36].is_nan());
}

#[test]
fn a_quote_that_is_never_closed() {
    let mut lines: Vec<String> =
        rows(60).iter().map(|r| format!("{:.1},{:.2},ok", r.t, r.v)).collect();
    lines[20] = format!("2.0,{:.2},\"5 mm hose", rows(60)[20].v);
    let log = read(format!("time_s,battery_v,remark\n{}\n", lines.join("\n")));
    is_the_log(&log);
}

#[test]
fn sentinels_are_no_voltages() {
    let text = write("time_s,battery_v", |r| {
        format!("{:.1},{}", r.t, if r.i == 30 { "65535".into() } else { format!("{:.2}", r.v) })
    });
    let log = read(text);
    assert_eq!(log.len(), 59);
    assert_eq!(log.source.bad_cells, 1);
    assert_eq!(log.source.bad_cells_first[0].line, 32);
}

#[test]
fn resolution_is_found() {
    let text = write("time_s,battery_v", |r| {
        format!("{:.1},{:.2}", r.t, ((r.v + 0.013 * ((r.i * 7) % 11) as f64) / 0.05).round() * 0.05)
    });
    let step = read(text).source.resolution_v.expect("a step");
    assert!((step - 0.05).abs() < 1e-6, "{step}");
}

#[test]
fn notes_are_kept_on_change() {
    let text = write("time_s,battery_v,Comment", |r| {
        format!(
            "{:.1},{:.2},{}",
            r.t,
            r.v,
            match r.i {
                0..20 => "",
                20..40 => "idle",
                _ => "fan, high",
            }
        )
        .replace("fan, high", "\"fan, high\"")
    });
    let log = read(text);
    let notes: Vec<_> = log.notes.iter().map(|n| (n.at_s, n.text.as_str())).collect();
    assert_eq!(notes, [(2.0, "idle"), (4.0, "fan, high")]);
}

#[test]
fn a_constant_load_is_kept_and_told() {
    let log = read(write("time_s,battery_v,Fuel pump", |r| format!("{:.1},{:.2},1", r.t, r.v)));
    close(log.load("Fuel pump").expect("a load"), &[1.0; 60], 0.0);
    notice(&log, "\"Fuel pump\" stays at 100 %");
}
