use stiffbus::log::{Role, Tap};

use crate::support::*;

#[test]
fn names_in_the_languages_of_the_trade() {
    let headers = [
        (
            "Time (s)",
            "Battery voltage (V)",
            "Engine speed (rpm)",
            "Cooling fan",
            "Coolant temperature (°C)",
            "Headlights",
        ),
        (
            "Zeit [s]",
            "Batteriespannung [V]",
            "Motordrehzahl [1/min]",
            "Kühlerlüfter",
            "Kühlmitteltemperatur [°C]",
            "Abblendlicht",
        ),
        (
            "Temps (s)",
            "Tension batterie (V)",
            "Régime moteur (tr/min)",
            "Ventilateur",
            "Température liquide de refroidissement (°C)",
            "Phares",
        ),
        (
            "Tiempo (s)",
            "Voltaje batería (V)",
            "Revoluciones motor (rpm)",
            "Ventilador",
            "Temperatura refrigerante (°C)",
            "Luces",
        ),
        (
            "Tempo (s)",
            "Tensione batteria (V)",
            "Giri motore",
            "Ventola",
            "Temperatura acqua (°C)",
            "Fari",
        ),
        (
            "Tempo (s)",
            "Tensão da bateria (V)",
            "Rotação do motor (rpm)",
            "Ventoinha",
            "Temperatura arrefecimento (°C)",
            "Faróis",
        ),
        (
            "Tijd (s)",
            "Accuspanning (V)",
            "Toerental",
            "Ventilator",
            "Koelvloeistof temperatuur (°C)",
            "Verlichting",
        ),
        (
            "Czas (s)",
            "Napięcie akumulatora (V)",
            "Obroty silnika",
            "Wentylator",
            "Temperatura płynu (°C)",
            "Światła",
        ),
        ("t", "UBatt", "nMot", "RadFan", "CLT", "LowBeam"),
    ];
    for (time, voltage, rpm, fan, coolant, lamps) in headers {
        let log = read(write(&format!("{time};{voltage};{rpm};{fan};{coolant};{lamps}"), |r| {
            format!("{:.1};{:.2};{:.0};{};{:.0};{}", r.t, r.v, r.rpm, r.fan, r.coolant_c, 1 - r.fan)
        }));
        is_the_log(&log);
        has_rpm(&log);
        let roles: Vec<String> = log.columns.iter().map(|c| role(&log, &c.name)).collect();
        let expected =
            ["time", "voltage.battery", "engine_rpm", "load", "temperature.coolant", "load"];
        assert_eq!(roles, expected, "{voltage}: {:#?}", log.columns);
    }
}

#[test]
fn every_role_at_once() {
    let header = "Timestamp [s],Battery voltage [V],Alternator B+ voltage [V],ECU supply voltage [V],Engine RPM,Alternator RPM,\
                  Alternator current [A],Battery current [A],Coolant [°C],Intake air temp [°C],Alternator temp [°C],Ambient [°C],\
                  AC clutch,Blower duty [%],Fuel pump relay,Remarks";
    let log = read(write(header, |r| {
        let note = if r.i == 33 { "fan came on" } else { "" };
        format!(
            "{:.1},{:.2},{:.2},{:.2},{:.0},{:.0},{:.1},{:.1},{:.0},35,{:.0},22,{},{},on,{note}",
            r.t,
            r.v,
            r.v + 0.2,
            r.v - 0.1,
            r.rpm,
            r.rpm * 2.4,
            40.0 + r.rpm / 100.0,
            if r.i < 12 { -5.0 } else { 6.0 },
            r.coolant_c,
            60.0 + r.t,
            r.fan,
            50 * (r.i % 3)
        )
    }));
    is_the_log(&log);
    let expected = [
        ("Timestamp", "time"),
        ("Battery voltage", "voltage.battery"),
        ("Alternator B+ voltage", "voltage.alternator"),
        ("ECU supply voltage", "voltage.module"),
        ("Engine RPM", "engine_rpm"),
        ("Alternator RPM", "alternator_rpm"),
        ("Alternator current", "alternator_current"),
        ("Battery current", "battery_current"),
        ("Coolant", "temperature.coolant"),
        ("Intake air temp", "temperature.intake"),
        ("Alternator temp", "temperature.alternator"),
        ("Ambient", "temperature.ambient"),
        ("AC clutch", "load"),
        ("Blower duty", "load"),
        ("Fuel pump relay", "load"),
        ("Remarks", "note"),
    ];
    for (name, expected) in expected {
        assert_eq!(role(&log, name), expected, "{name}: {}", why(&log, name));
        assert!(!why(&log, name).is_empty());
    }
    assert_eq!(log.notes.len(), 1);
    assert_eq!((log.notes[0].at_s, log.notes[0].text.as_str()), (3.3, "fan came on"));
    notice(&log, "the load \"Fuel pump relay\" stays at 100 %");
    assert_eq!(log.bus, Tap::Battery);
}

#[test]
fn what_only_sounds_like_a_load_or_the_bus() {
    let header = "time_s,battery_v,Fan temp,Engine load (%),Brake switch,MIL,Gear,TPS (V),O2 sensor (V),MAP (V),Cell 3 voltage,\
                  Fuel pump pressure (bar),Vehicle speed (km/h),Target idle rpm,Fan rpm,Lamp current (A),5V ref (V),Oil temp (°C)";
    let log = read(write(header, |r| {
        format!(
            "{:.1},{:.2},41,{},{},0,{},0.{},0.45,1.{},3.31,3.0,0,850,2200,9.5,5.01,95",
            r.t,
            r.v,
            20 + r.i % 5,
            r.i % 2,
            r.i % 5,
            5 + r.i % 4,
            r.i % 9
        )
    }));
    is_the_log(&log);
    for column in log.columns.iter().skip(2) {
        assert_eq!(column.role, "ignored", "{}: {}", column.name, column.why);
        assert!(!column.why.is_empty());
    }
    says(&why(&log, "Brake switch"), &["--column load=NAME"]);
}

#[test]
fn voltages_without_a_place_are_told_apart_by_level() {
    let log = read(write("time_s,Voltage 1 (V),Voltage 2 (V)", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, r.v, r.v + if r.i > 11 { 0.3 } else { 0.0 })
    }));
    is_the_log(&log);
    assert_eq!(role(&log, "Voltage 2"), "voltage.alternator");
    notice(&log, "--column voltage.battery=NAME");
}

#[test]
fn the_bus_without_a_battery_tap() {
    let log = read(write("time_s,Alternator voltage,ECU voltage", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, r.v + 0.2, r.v)
    }));
    assert_eq!(log.bus, Tap::Module);
    is_the_log(&log);
    notice(&log, "no column is the battery voltage by name");
    let log = read(write("time_s,Alternator voltage", |r| format!("{:.1},{:.2}", r.t, r.v)));
    assert_eq!(log.bus, Tap::Alternator);
}

#[test]
fn two_battery_voltages_by_evidence() {
    // One has holes.
    let log = read(write("time_s,Battery voltage A,Battery voltage B", |r| {
        let a = if r.i % 5 == 0 { String::new() } else { format!("{:.2}", r.v + 0.5) };
        format!("{:.1},{a},{:.2}", r.t, r.v)
    }));
    is_the_log(&log);
    notice(&log, "\"Battery voltage B\" is used");
    notice(&log, "--column voltage=\"Battery voltage A\"");
    // One has coarse steps.
    let log = read(write("time_s,Battery voltage A,Battery voltage B", |r| {
        let fine = r.v + 0.01 * ((r.i * 7) % 5) as f64;
        format!("{:.1},{:.1},{:.2}", r.t, fine, fine)
    }));
    assert_eq!(role(&log, "Battery voltage B"), "voltage.battery");
    // A minimum is no rival.
    let log = read(write("time_s,Battery voltage min,Battery voltage", |r| {
        format!("{:.1},{:.2},{:.2}", r.t, 9.8, r.v)
    }));
    is_the_log(&log);
}

#[test]
fn a_battery_current_is_turned_to_charge_positive() {
    let charging = |r: &Row| match r.i {
        0..10 => -3.0,
        10 | 11 => -180.0,
        _ => 8.0 - 20.0 * f64::from(r.fan),
    };
    let expected: Vec<f64> = rows(60).iter().map(charging).collect();
    for (header, sign, word) in [
        ("Battery current (A)", 1.0, "starter"),
        ("Battery current (A)", -1.0, "starter"),
        ("Battery discharge current (A)", -1.0, "discharge"),
        ("Batterieladestrom (A)", 1.0, "charge"),
    ] {
        let log = read(write(&format!("time_s,battery_v,{header}"), |r| {
            format!("{:.1},{:.2},{:.1}", r.t, r.v, sign * charging(r))
        }));
        close(log.channel(Role::BatteryCurrent).expect("current"), &expected, 1e-9);
        let column = log.columns.iter().find(|c| c.role == "battery_current").expect("column");
        says(&column.why, &[word]);
    }
    // No cranking in the log: the steps of voltage and current tell.
    for sign in [1.0, -1.0] {
        let mut text = String::from("time_s,battery_v,Battery current (A)\n");
        for r in rows(60).iter().skip(14) {
            text.push_str(&format!("{:.1},{:.2},{:.1}\n", r.t, r.v, sign * charging(r)));
        }
        let log = read(text);
        close(log.channel(Role::BatteryCurrent).expect("current"), &expected[14..], 1e-9);
    }
}

#[test]
fn a_system_voltage_is_the_bus() {
    for name in [
        "Voltage",
        "System voltage",
        "Volts",
        "Bus voltage (V)",
        "Control module voltage (V)",
        "V",
        "Bordspannung",
    ] {
        let log = read(write(&format!("time_s,{name}"), |r| format!("{:.1},{:.2}", r.t, r.v)));
        is_the_log(&log);
    }
}

#[test]
fn rivals_that_disagree_are_both_left() {
    let log = read(write("time_s,battery_v,RPM,RPM", |r| {
        format!("{:.1},{:.2},{:.0},{:.0}", r.t, r.v, r.rpm, r.rpm * 3.0)
    }));
    assert!(log.engine_rpm().is_none());
    notice(&log, "--column engine_rpm=NAME");
    let log = read(write("time_s,battery_v,RPM,RPM", |r| {
        format!("{:.1},{:.2},{:.0},{:.0}", r.t, r.v, r.rpm, r.rpm)
    }));
    has_rpm(&log);
}

#[test]
fn short_names_of_controllers() {
    let header = "t;U_bat;I_gen;n_mot;T_ansaug;Gebläsestufe;Heckscheibenheizung;Shift light";
    let log = read(write(header, |r| {
        format!("{:.1};{:.2};{};{:.0};35;{};0;{}", r.t, r.v, 40 + r.i % 9, r.rpm, r.i % 5, r.i % 2)
    }));
    is_the_log(&log);
    has_rpm(&log);
    let roles: Vec<String> = log.columns.iter().map(|c| role(&log, &c.name)).collect();
    let expected = [
        "time",
        "voltage.battery",
        "alternator_current",
        "engine_rpm",
        "temperature.intake",
        "load",
        "load",
        "ignored",
    ];
    assert_eq!(roles, expected, "{:#?}", log.columns);
}
