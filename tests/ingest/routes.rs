//! The fast and the careful route read the same.

use stiffbus::ingest::{ReadOptions, read, read_carefully};
use stiffbus::log::Log;

use crate::support::*;

fn same(text: impl AsRef<[u8]>) {
    let (_folder, path) = file(text);
    let fast = read(&path, &ReadOptions::default()).expect("by the fast route");
    let careful = read_carefully(&path, &ReadOptions::default()).expect("by the careful route");
    assert_eq!(fast.source, careful.source);
    assert_eq!(fast.columns, careful.columns);
    assert_eq!(fast.notes, careful.notes);
    let columns = |log: &Log| -> Vec<(String, Vec<u64>)> {
        log.frame()
            .columns()
            .iter()
            .map(|c| {
                let values = c
                    .f64()
                    .expect("numbers")
                    .iter()
                    .map(|v| v.expect("a value").to_bits())
                    .collect();
                (c.name().to_string(), values)
            })
            .collect()
    };
    assert_eq!(columns(&fast), columns(&careful));
}

#[test]
fn on_clean_logs() {
    let line = |r: &Row| format!("{:.1},{:.2},{:.0},{},{:.1}", r.t, r.v, r.rpm, r.fan, r.coolant_c);
    let header = "Time (s),Battery voltage (V),Engine speed (rpm),Fan,Coolant (°C)";
    let comma = write(header, line);
    same(&comma);
    same(comma.replace(',', ";").replace('.', ","));
    same(comma.replace(',', "\t"));
    same(comma.replace('\n', "\r\n"));
    same(comma.trim_end());
    same(format!("made by a logger\n{comma}"));
    same(write("time_ms,Battery (mV),rpm x1000,Fan duty (%)", |r| {
        format!("{},{:.0},{:.3},{}", r.i * 100, r.v * 1000.0, r.rpm / 1000.0, 100 * r.fan)
    }));
}

#[test]
fn on_unclean_logs() {
    let comma = write("time_s,battery_v,rpm", |r| format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm));
    for (from, to) in [
        ("3.1,", "3.1,bad"),
        ("3.1,", "\n3.1,"),
        ("3.1,", "3.1,,"),
        ("3.1,", "inf,"),
        ("3.1,", "3.1, "),
        ("3.1,", "+3.1,"),
    ] {
        same(comma.replace(from, to));
    }
    same(comma.replace("\n3.2,", "\n3.2\n3.2,"));
    same(comma.replace("\n3.2,", "\n3.2,9,9,9,9\n3.2,"));
    same(format!("{comma}6.0,14"));
    same(format!("{comma}\n\n\n"));
}

#[test]
fn over_many_blocks() {
    // Large enough that the roles are decided on blocks spread over the file.
    let mut text = String::from("Time (s);Batteriespannung (V);Drehzahl;Lüfter\n");
    for i in 0..120_000u32 {
        let fan = u32::from(i % 1000 > 500);
        text.push_str(&format!(
            "{:.2};{:.2};{};{}\n",
            f64::from(i) / 100.0,
            14.2 - 0.3 * f64::from(fan) + 0.01 * f64::from(i % 3),
            850 + i % 13,
            fan
        ));
    }
    assert!(text.len() > 2 << 20);
    same(text.replace('.', ","));
    same(&text);
}

const HEADER: &str = "time (s),battery voltage (V),engine rpm,spare,fan\n";

/// Long enough to be read in pieces.
fn long() -> String {
    let mut text = HEADER.to_owned();
    for k in 0..240_000u32 {
        let (t, v, rpm) = (f64::from(k) / 100.0, 1380 + k % 7, 850 + k % 11);
        let fan = u8::from(k / 20_000 % 2 == 1);
        text += &format!("{t:.2},{}.{:02},{rpm},,{fan}\n", v / 100, v % 100);
    }
    assert!(text.len() > 4 << 20);
    text
}

#[test]
fn on_long_clean_logs() {
    let text = long();
    same(&text);
    same(text.trim_end());
    same(text.replace('\n', "\r\n"));
    same(format!("\u{feff}{text}"));
    same(format!("our logger, run 7\n\n{text}"));
    same(text.replace(",852,", ",,").replace(",13.83,", ",13.83 ,"));
}

#[test]
fn on_long_logs_with_one_unclean_line() {
    let text = long();
    let line = text.rfind("\n2399.").expect("a late line") + 1;
    let with = |late: &str| [&text[..line], late, &text[line..]].concat().into_bytes();
    for late in ["1,x,y,,z\n", "\n", "1,2\n", HEADER, "2400.005,\"13.80\",850,,1\n"] {
        same(with(late));
    }
    let mut latin = with("");
    latin[line - 2] = 0xfc;
    same(latin);
    // A row that is cut off at the end of the file.
    same(&text[..text.len() - 9]);
}
