use crate::support::*;

const HEADER: &str = "Time (s),Battery voltage (V),Engine speed (rpm),Fan";

fn line(row: &Row) -> String {
    format!("{:.1},{:.2},{:.0},{}", row.t, row.v, row.rpm, row.fan)
}

fn comma() -> String {
    write(HEADER, line)
}

#[track_caller]
fn reads(bytes: impl AsRef<[u8]>, separator: &str, decimal: char, encoding: &str) {
    let log = read(bytes);
    is_the_log(&log);
    has_rpm(&log);
    has_fan(&log, "Fan");
    assert_eq!(log.source.separator, separator);
    assert_eq!(log.source.decimal, decimal);
    assert_eq!(log.source.encoding, encoding);
    assert_eq!(log.source.bad_cells, 0);
    assert!(log.source.rows_skipped.is_empty(), "{:?}", log.source.rows_skipped);
}

#[test]
fn commas() {
    reads(comma(), "comma", '.', "UTF-8");
}

#[test]
fn semicolons_with_decimal_points() {
    reads(comma().replace(',', ";"), "semicolon", '.', "UTF-8");
}

#[test]
fn semicolons_with_decimal_commas() {
    reads(comma().replace(',', ";").replace('.', ","), "semicolon", ',', "UTF-8");
}

#[test]
fn tabs_and_decimal_commas() {
    reads(comma().replace(',', "\t"), "tab", '.', "UTF-8");
    reads(comma().replace(',', "\t").replace('.', ","), "tab", ',', "UTF-8");
}

#[test]
fn pipes() {
    reads(comma().replace(',', "|"), "pipe", '.', "UTF-8");
    reads(comma().replace(',', " | "), "pipe", '.', "UTF-8");
}

#[test]
fn columns_aligned_by_blanks() {
    let text = write("  t_s   battery_v     rpm   Fan", |r| {
        format!("{:>6.1}  {:>8.2}  {:>6.0}  {:>3}", r.t, r.v, r.rpm, r.fan)
    });
    reads(text, "space", '.', "UTF-8");
    let text = write("Time (s)   Battery voltage (V)   Engine speed (rpm)   Fan", |r| {
        format!("{:<8.1}   {:<19.2}   {:<18.0}   {}", r.t, r.v, r.rpm, r.fan)
    });
    reads(text, "space", '.', "UTF-8");
}

#[test]
fn single_blanks_with_units_apart_from_names() {
    let text = write("time (s) voltage (V) rpm Fan", |r| {
        format!("{:.1} {:.2} {:.0} {}", r.t, r.v, r.rpm, r.fan)
    });
    reads(text, "space", '.', "UTF-8");
}

#[test]
fn quotes_around_names_or_everything() {
    let text = comma();
    let quoted: String = text
        .lines()
        .map(|line| {
            line.split(',').map(|c| format!("\"{c}\"")).collect::<Vec<_>>().join(",") + "\n"
        })
        .collect();
    reads(quoted, "comma", '.', "UTF-8");
    reads(
        text.replace("Battery voltage (V)", "\"Battery voltage, main (V)\""),
        "comma",
        '.',
        "UTF-8",
    );
}

#[test]
fn quoted_decimal_commas_between_commas() {
    let text = write("time_s,Battery V,rpm,Fan", |r| {
        format!(
            "\"{}\",\"{}\",{:.0},{}",
            format!("{:.1}", r.t).replace('.', ","),
            format!("{:.2}", r.v).replace('.', ","),
            r.rpm,
            r.fan
        )
    });
    reads(text, "comma", ',', "UTF-8");
}

#[test]
fn line_ends_of_every_kind() {
    reads(comma().replace('\n', "\r\n"), "comma", '.', "UTF-8");
    reads(comma().replace('\n', "\r"), "comma", '.', "UTF-8");
    reads(comma().trim_end(), "comma", '.', "UTF-8");
}

#[test]
fn byte_order_marks_and_utf_16() {
    let utf16 = |little: bool, mark: bool| -> Vec<u8> {
        let text = if mark { format!("\u{feff}{}", comma()) } else { comma() };
        text.encode_utf16()
            .flat_map(|unit| if little { unit.to_le_bytes() } else { unit.to_be_bytes() })
            .collect()
    };
    reads(format!("\u{feff}{}", comma()), "comma", '.', "UTF-8");
    reads(utf16(true, true), "comma", '.', "UTF-16LE");
    reads(utf16(false, true), "comma", '.', "UTF-16BE");
    reads(utf16(true, false), "comma", '.', "UTF-16LE");
    reads(utf16(false, false), "comma", '.', "UTF-16BE");
}

#[test]
fn latin_1_letters() {
    let text =
        write("Zeit (s);Batteriespannung (V);Drehzahl (1/min);Lüfter;Kühlmittel (°C)", |r| {
            format!("{:.1};{:.2};{:.0};{};{:.0}", r.t, r.v, r.rpm, r.fan, r.coolant_c)
        });
    let bytes: Vec<u8> =
        text.chars().map(|c| u8::try_from(u32::from(c)).expect("Latin-1")).collect();
    let log = read(bytes);
    is_the_log(&log);
    has_rpm(&log);
    has_fan(&log, "Lüfter");
    assert_eq!(log.source.encoding, "windows-1252");
    assert_eq!(role(&log, "Kühlmittel"), "temperature.coolant");
}

#[test]
fn thousands_marks() {
    let text = |mark: &str, decimal: &str, separator: &str| {
        write(&["time_s", "battery_v", "rpm"].join(separator), |r| {
            let rpm =
                if r.rpm > 0.0 { format!("1{mark}{:03.0}", r.rpm - 800.0) } else { "0".into() };
            [format!("{:.1}", r.t), format!("{:.2}", r.v), rpm]
                .join(separator)
                .replace(['.'], if mark == "." { "." } else { decimal })
        })
    };
    let expected: Vec<f64> =
        rows(60).iter().map(|r| if r.rpm > 0.0 { r.rpm + 200.0 } else { 0.0 }).collect();
    for (mark, decimal, separator) in
        [(",", ".", ";"), (" ", ",", ";"), ("'", ".", "\t"), ("\u{a0}", ",", "\t")]
    {
        let log = read(text(mark, decimal, separator));
        is_the_log(&log);
        close(log.engine_rpm().expect("rpm"), &expected, 1e-9);
    }
    let points = write("time_s;battery_v;rpm", |r| {
        let rpm = if r.rpm > 0.0 { format!("1.{:03.0}", r.rpm - 800.0) } else { "0".into() };
        format!(
            "{};{};{rpm}",
            format!("{:.1}", r.t).replace('.', ","),
            format!("{:.2}", r.v).replace('.', ",")
        )
    });
    let log = read(points);
    is_the_log(&log);
    close(log.engine_rpm().expect("rpm"), &expected, 1e-9);
}

#[test]
fn one_column_with_a_sample_rate() {
    let options =
        stiffbus::ingest::ReadOptions { sample_rate_hz: Some(10.0), ..Default::default() };
    let log = read_with(write("Battery voltage", |r| format!("{:.2}", r.v)), &options);
    is_the_log(&log);
    assert_eq!(log.source.separator, "none");
    let log =
        read_with(write("Battery voltage", |r| format!("{:.2}", r.v).replace('.', ",")), &options);
    is_the_log(&log);
    assert_eq!(log.source.decimal, ',');
}

#[test]
fn a_declared_separator() {
    let log = read(format!("sep=;\n{}", comma().replace(',', ";")));
    is_the_log(&log);
    assert_eq!(log.source.header_line, Some(2));
}

#[test]
fn names_with_blanks_and_letters_of_any_script() {
    let (_folder, path) = named("Prüflauf № 3 – ночь.csv", comma());
    let log = stiffbus::ingest::read(&path, &Default::default()).expect("a log");
    is_the_log(&log);
    assert_eq!(log.source.file, name_of(&path));
}

#[test]
fn the_hash_is_that_of_the_bytes() {
    // FIPS 180-4, SHA-256 of the file as sha256sum of GNU coreutils prints it for the same bytes.
    let (_folder, path) = file(comma());
    let log = stiffbus::ingest::read(&path, &Default::default()).expect("a log");
    let printed = std::process::Command::new("sha256sum").arg(&path).output();
    if let Ok(printed) = printed {
        let printed = String::from_utf8_lossy(&printed.stdout).into_owned();
        assert_eq!(printed.split(' ').next(), Some(log.source.sha256.as_str()));
    }
    assert_eq!(log.source.sha256.len(), 64);
}
