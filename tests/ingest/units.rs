use stiffbus::log::{Place, Role};

use crate::support::*;

#[track_caller]
fn reads(header: &str, line: impl Fn(&Row) -> String) -> stiffbus::log::Log {
    let log = read(write(header, line));
    is_the_log(&log);
    log
}

#[test]
fn volts_and_millivolts() {
    reads("time_s,battery_v", |r| format!("{:.1},{:.2}", r.t, r.v));
    reads("time_s,Battery (mV)", |r| format!("{:.1},{:.0}", r.t, r.v * 1000.0));
    reads("time_s,Battery voltage", |r| format!("{:.1},{:.0}", r.t, r.v * 1000.0));
    reads("time_s,Battery", |r| format!("{:.1},{:.2} V", r.t, r.v));
    reads("time_s,Battery", |r| format!("{:.1},{:.0}mV", r.t, r.v * 1000.0));
}

#[test]
fn engine_speed_in_rpm_thousands_and_hertz() {
    has_rpm(&reads("time_s,battery_v,Engine speed (rpm)", |r| {
        format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)
    }));
    has_rpm(&reads("time_s,battery_v,rpm x1000", |r| {
        format!("{:.1},{:.2},{:.3}", r.t, r.v, r.rpm / 1000.0)
    }));
    has_rpm(&reads("time_s,battery_v,RPM (rpm×1000)", |r| {
        format!("{:.1},{:.2},{:.3}", r.t, r.v, r.rpm / 1000.0)
    }));
    has_rpm(&reads("time_s,battery_v,Tach", |r| {
        format!("{:.1},{:.2},{:.3}", r.t, r.v, r.rpm / 1000.0)
    }));
    has_rpm(&reads("time_s,battery_v,Engine speed (Hz)", |r| {
        format!("{:.1},{:.2},{:.9}", r.t, r.v, r.rpm / 60.0)
    }));
    has_rpm(&reads("time_s,battery_v,Engine speed", |r| {
        format!("{:.1},{:.2},{:.9}", r.t, r.v, r.rpm / 60.0)
    }));
    has_rpm(&reads("time_s,battery_v,Engine", |r| {
        format!("{:.1},{:.2},{:.0} rpm", r.t, r.v, r.rpm)
    }));
}

#[test]
fn temperatures_in_celsius_fahrenheit_kelvin() {
    let expected: Vec<f64> = rows(60).iter().map(|r| r.coolant_c).collect();
    let fahrenheit = |c: f64| c * 9.0 / 5.0 + 32.0;
    for (header, convert) in [
        ("Coolant (°C)", (|c| c) as fn(f64) -> f64),
        ("Coolant temp", |c| c),
        ("coolant_c", |c| c),
        ("Coolant [degF]", |c| c * 9.0 / 5.0 + 32.0),
        ("Coolant temp", |c| c * 9.0 / 5.0 + 32.0),
        ("Coolant temp (K)", |c| c + 273.15),
        ("ECT", |c| c + 273.15),
    ] {
        let log = reads(&format!("time_s,battery_v,{header}"), |r| {
            format!("{:.1},{:.2},{:.3}", r.t, r.v, convert(r.coolant_c))
        });
        close(log.channel(Role::Temperature(Place::Coolant)).expect("coolant"), &expected, 1e-3);
    }
    // One gauge in °F by its level means that the others are, too.
    let log = reads("time_s,battery_v,Coolant temp,Ambient temp", |r| {
        format!("{:.1},{:.2},{:.1},{:.1}", r.t, r.v, fahrenheit(r.coolant_c), fahrenheit(25.0))
    });
    close(log.channel(Role::Temperature(Place::Ambient)).expect("ambient"), &[25.0; 60], 1e-6);
}

#[test]
fn amps_and_milliamps() {
    let log = reads("time_s,battery_v,Alternator current (mA)", |r| {
        format!("{:.1},{:.2},{:.0}", r.t, r.v, 35_000.0 + r.rpm)
    });
    let expected: Vec<f64> = rows(60).iter().map(|r| 35.0 + r.rpm / 1000.0).collect();
    close(log.channel(Role::AlternatorCurrent).expect("current"), &expected, 1e-9);
}

#[test]
fn loads_as_switches_duties_and_words() {
    let pairs = [
        ("on", "off"),
        ("ON", "OFF"),
        ("true", "false"),
        ("yes", "no"),
        ("ein", "aus"),
        ("an", "aus"),
        ("ja", "nein"),
        ("marche", "arrêt"),
        ("oui", "non"),
        ("vrai", "faux"),
        ("encendido", "apagado"),
        ("sí", "no"),
        ("acceso", "spento"),
        ("vero", "falso"),
        ("ligado", "desligado"),
        ("sim", "não"),
        ("aan", "uit"),
        ("waar", "onwaar"),
        ("wł", "wył"),
        ("tak", "nie"),
        ("prawda", "fałsz"),
        ("closed", "open"),
        ("energized", "de-energized"),
        ("geschlossen", "offen"),
        ("High", "Low"),
        ("1", "0"),
        ("100", "0"),
        ("100 %", "0 %"),
        ("255", "0"),
        ("1.0", "0.0"),
    ];
    for (on, off) in pairs {
        let log = reads("time_s,battery_v,Cooling fan", |r| {
            format!("{:.1},{:.2},{}", r.t, r.v, if r.fan == 1 { on } else { off })
        });
        has_fan(&log, "Cooling fan");
    }
}

#[test]
fn duties_and_levels_become_shares() {
    let expected: Vec<f64> = rows(60).iter().map(|r| [0.0, 0.5, 1.0][r.i % 3]).collect();
    let cells: [(&str, [&str; 3]); 5] = [
        ("Fan duty (%)", ["0", "50", "100"]),
        ("Fan duty", ["0", "0.5", "1"]),
        ("Fan speed", ["0", "1", "2"]),
        ("Blower", ["off", "low", "high"]),
        ("Blower [%]", ["0.0", "50.0", "100.0"]),
    ];
    for (header, cells) in cells {
        let log = reads(&format!("time_s,battery_v,{header}"), |r| {
            format!("{:.1},{:.2},{}", r.t, r.v, cells[r.i % 3])
        });
        let name = log
            .load_names()
            .first()
            .unwrap_or_else(|| panic!("{header}: {:#?}", log.columns))
            .clone();
        close(log.load(&name).expect("a load"), &expected, 1e-9);
    }
}

#[test]
fn half_a_fan_stays_half() {
    let log = reads("time_s,battery_v,Fan duty (%)", |r| {
        format!("{:.1},{:.2},{}", r.t, r.v, if r.fan == 1 { 60 } else { 0 })
    });
    let expected: Vec<f64> = rows(60).iter().map(|r| 0.6 * f64::from(r.fan)).collect();
    close(log.load("Fan duty").expect("fan"), &expected, 1e-9);
}

#[test]
fn missing_values_are_no_bad_cells() {
    for missing in ["", "NaN", "-", "n/a", "NULL", "nan", "--", "#N/A"] {
        let log = reads("time_s,battery_v,rpm,Coolant (°C)", |r| {
            let rpm = if r.i == 30 { missing.to_owned() } else { format!("{:.0}", r.rpm) };
            format!("{:.1},{:.2},{rpm},{:.0}", r.t, r.v, r.coolant_c)
        });
        assert_eq!(log.source.bad_cells, 0, "{missing}");
        assert_eq!(
            log.engine_rpm().map(|rpm| rpm[30]),
            Some(rows(60)[29].rpm),
            "held from the row before"
        );
    }
}
