use crate::support::*;

fn line(r: &Row) -> String {
    format!("{:.1},{:.2},{:.0},{}", r.t, r.v, r.rpm, r.fan)
}

#[track_caller]
fn reads(text: &str, header_line: Option<usize>) -> stiffbus::log::Log {
    let log = read(text);
    is_the_log(&log);
    has_rpm(&log);
    assert_eq!(log.source.header_line, header_line);
    log
}

#[test]
fn preamble_before_the_header() {
    let table = write("Time (s),Battery (V),RPM,Fan", line);
    reads(
        &format!("Logger 7, firmware 2.1\nCar: the blue coupe\nSamples per second,10\n\n{table}"),
        Some(5),
    );
    reads(&format!("# a remark\n# rate: 10 Hz\n{table}"), Some(3));
    reads(&format!("#{table}"), Some(1));
}

#[test]
fn a_units_row_below() {
    let log = reads(&write("Time,Battery,Engine speed,Fan\ns,V,rpm,-", line), Some(1));
    assert_eq!(
        log.columns.iter().find(|c| c.name == "Battery").and_then(|c| c.unit.clone()).as_deref(),
        Some("V")
    );
    reads(&write("Time,Battery,Engine speed,Fan\n[s],[V],[1/min],[0/1]", line), Some(1));
    reads(&write("Time,Battery,Engine speed,Fan\n(s),(V),(rpm),", line), Some(1));
}

#[test]
fn units_in_the_header() {
    for header in [
        "Time [s],Battery voltage [V],Engine speed [1/min],Fan [-]",
        "time_s,battery_voltage_v,engine_rpm,fan",
        "TimeSec,BatteryVoltage,EngineRPM,FanRelay",
        "\"Time, s\",\"Battery, V\",\"Engine speed, rpm\",Fan",
        "Elapsed time/s,U Batt/V,n Mot/min-1,Fan",
        "Zeit s,Ubat V,Drehzahl 1/min,Fan",
        "Zeit,Ubat,Motordrehzahl U/min,Fan",
    ] {
        reads(&write(header, line), Some(1));
    }
}

#[test]
fn no_header_at_all() {
    let text: String =
        rows(60).iter().map(|r| format!("{:.1};{:.2};{}\n", r.t, r.v, r.fan)).collect();
    let log = read(&text);
    is_the_log(&log);
    assert_eq!(log.source.header_line, None);
    assert_eq!(log.columns[1].name, "column 2");
}

#[test]
fn a_header_that_comes_again() {
    let mut text = String::new();
    for (i, row) in rows(60).iter().enumerate() {
        if i % 20 == 0 {
            text.push_str("time_s,battery_v,rpm,fan\n");
        }
        text.push_str(&line(row));
        text.push('\n');
    }
    let log = reads(&text, Some(1));
    assert_eq!(skipped(&log, "repeated header"), (2, 22));
}

#[test]
fn names_used_twice() {
    let log = reads(
        &write("time_s,battery_v,rpm,value,value", |r| {
            format!("{:.1},{:.2},{:.0},7,8", r.t, r.v, r.rpm)
        }),
        Some(1),
    );
    assert_eq!(log.columns[3].name, "value");
    assert_eq!(log.columns[4].name, "value (2)");
}

#[test]
fn a_trailing_separator() {
    let log = reads(&write("time_s,battery_v,rpm,fan,", |r| format!("{},", line(r))), Some(1));
    has_fan(&log, "fan");
    let log = reads(&write("time_s,battery_v,rpm,fan", |r| format!("{},", line(r))), Some(1));
    has_fan(&log, "fan");
}

#[test]
fn empty_cells_left_out_at_the_end_of_rows() {
    let text = write("time_s,battery_v,rpm,fan,oil pressure,remark", |r| {
        if r.i % 4 == 0 { format!("{},3.1,", line(r)) } else { line(r) }
    });
    let log = reads(&text, Some(1));
    assert!(log.source.rows_skipped.is_empty(), "{:?}", log.source.rows_skipped);
}
