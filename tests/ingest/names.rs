//! Headers that loggers, engine computers and data acquisition write, and the role that each
//! column must get or must not. Names are generic; values are what such a column holds.

use crate::support::*;

type Value = fn(&Row) -> f64;

fn volts(r: &Row) -> f64 {
    r.v
}
fn speed(r: &Row) -> f64 {
    r.rpm
}
fn switch(r: &Row) -> f64 {
    f64::from(r.fan)
}
fn duty(r: &Row) -> f64 {
    20.0 + 30.0 * f64::from(r.fan)
}
fn share(r: &Row) -> f64 {
    20.0 + (r.i % 7) as f64 * 2.5
}
fn zero(_: &Row) -> f64 {
    0.0
}
fn mixture(r: &Row) -> f64 {
    if r.i.is_multiple_of(9) { 0.99 } else { 1.0 }
}
fn mixture_ratio(r: &Row) -> f64 {
    14.7 + 0.1 * (r.i % 5) as f64
}
fn coolant(r: &Row) -> f64 {
    r.coolant_c
}
fn intake(r: &Row) -> f64 {
    24.0 + (r.i % 3) as f64
}
fn battery_amps(r: &Row) -> f64 {
    match r.i {
        0..10 => -6.0,
        10 | 11 => -190.0,
        _ => 7.0 - 22.0 * f64::from(r.fan),
    }
}
fn alternator_amps(r: &Row) -> f64 {
    if r.i < 12 { 0.0 } else { 38.0 + 22.0 * f64::from(r.fan) }
}

/// The whole table is one voltage: nothing else in the log may be the bus.
const VOLTAGES: &[(&str, &str)] = &[
    ("U_BAT", "voltage.battery"),
    ("UBat", "voltage.battery"),
    ("U_B", "voltage.battery"),
    ("VBATT", "voltage.battery"),
    ("BATTV", "voltage.battery"),
    ("Vbat_ADC (V)", "voltage.battery"),
    ("KL30 [V]", "voltage.battery"),
    ("Starterbatteriespannung", "voltage.battery"),
    ("Accuspanning", "voltage.battery"),
    ("VSYS", "voltage.battery"),
    ("CONTROL_MODULE_VOLTAGE", "voltage.module"),
    ("U_GEN", "voltage.alternator"),
    ("V_ALT", "voltage.alternator"),
    ("CH1", "voltage.battery"),
    ("A07", "voltage.battery"),
];

const OTHERS: &[(&str, Value, &str)] = &[
    // speed
    ("N_ENG", speed, "engine_rpm"),
    ("nEng", speed, "engine_rpm"),
    ("nmot", speed, "engine_rpm"),
    ("EngineSpeed", speed, "engine_rpm"),
    ("ENGINE_RPM", speed, "engine_rpm"),
    ("ENGINERPM", speed, "engine_rpm"),
    ("CH2", speed, "engine_rpm"),
    ("VEHICLE_SPEED", share, "ignored"),
    ("Turbine speed", speed, "ignored"),
    // currents
    ("I_GEN", alternator_amps, "alternator_current"),
    ("I_ALT", alternator_amps, "alternator_current"),
    ("Alternator clamp (A)", alternator_amps, "alternator_current"),
    ("I_BAT", battery_amps, "battery_current"),
    ("Ibatt", battery_amps, "battery_current"),
    ("Battery clamp (A)", battery_amps, "battery_current"),
    ("Batteriestrom [A]", battery_amps, "battery_current"),
    // temperatures
    ("T_CLT", coolant, "temperature.coolant"),
    ("TENG", coolant, "temperature.coolant"),
    ("COOLANT_TEMPERATURE", coolant, "temperature.coolant"),
    ("Kühlmitteltemperatur", coolant, "temperature.coolant"),
    ("T_IAT", intake, "temperature.intake"),
    ("INTAKE_AIR_TEMP", intake, "temperature.intake"),
    ("T_BAT", intake, "temperature.battery"),
    ("Battery temperature", intake, "temperature.battery"),
    ("Batterietemperatur [°C]", intake, "temperature.battery"),
    ("CATALYST_TEMPERATURE_BANK1_SENSOR1", coolant, "ignored"),
    ("Motoröltemperatur", coolant, "ignored"),
    // consumers
    ("Lüfterrelais", switch, "load"),
    ("Kühlerlüfter", switch, "load"),
    ("FAN_1_DUTY (%)", duty, "load"),
    ("AC_CLUTCH", switch, "load"),
    ("A/C relay", switch, "load"),
    ("HeckscheibenHeizung", switch, "load"),
    ("Koplampen", switch, "load"),
    ("LowBeam", switch, "load"),
    ("FuelPumpRelay", switch, "load"),
    ("Load 2", switch, "load"),
    // none of them, whatever their names hold
    ("FUEL_AIR_COMMANDED_EQUIV_RATIO", mixture, "ignored"),
    ("AIR_COMMANDED", switch, "ignored"),
    ("ENGINE_LOAD", share, "ignored"),
    ("Calculated load value", share, "ignored"),
    ("ABS_LOAD", share, "ignored"),
    ("LOAD", share, "ignored"),
    ("THROTTLE", share, "ignored"),
    ("COMMANDED_THROTTLE_ACTUATOR", share, "ignored"),
    ("PEDAL_D", share, "ignored"),
    ("FUEL_TANK", share, "ignored"),
    ("Fuel level light", switch, "ignored"),
    ("COMMANDED_EVAPORATIVE_PURGE", zero, "ignored"),
    ("Evap purge pump duty", share, "ignored"),
    ("LONG_TERM_FUEL_TRIM_BANK_1", mixture, "ignored"),
    ("Catalyst heating active", switch, "ignored"),
    ("O2 heater bank 1", switch, "ignored"),
    ("TIME_RUN_WITH_MIL_ON", zero, "ignored"),
    ("MIL lamp", switch, "ignored"),
    ("DISTANCE_TRAVELED_WITH_MIL_ON", zero, "ignored"),
    ("WARM_UPS_SINCE_CODES_CLEARED", zero, "ignored"),
    ("TIMING_ADVANCE", share, "ignored"),
    ("INTAKE_MANIFOLD_PRESSURE", share, "ignored"),
    ("AC pressure", share, "ignored"),
    ("A/F", mixture_ratio, "ignored"),
    ("AFR", mixture_ratio, "ignored"),
    ("Brake light switch position", switch, "ignored"),
    ("Last trip", switch, "ignored"),
    ("Entlüfterventil", switch, "ignored"),
];

#[test]
fn every_name_gets_its_role() {
    assert!(VOLTAGES.len() + OTHERS.len() >= 40);
    let mut wrong = Vec::new();
    for (name, expected) in VOLTAGES {
        let text = write(&format!("time_s,{name}"), |r| format!("{:.1},{:.2}", r.t, volts(r)));
        let found = match try_read(text, &Default::default()) {
            Ok(log) => {
                is_the_log(&log);
                let column = &log.columns[1];
                format!("{}.{}", column.role, column.tap.as_deref().unwrap_or("none"))
            }
            Err(error) => error.to_string(),
        };
        if found != *expected {
            wrong.push(format!("{name}: {found} instead of {expected}"));
        }
    }
    for (name, value, expected) in OTHERS {
        let text = write(&format!("time_s,battery_v,{name}"), |r| {
            format!("{:.1},{:.2},{}", r.t, r.v, value(r))
        });
        let log = read(text);
        is_the_log(&log);
        let column = &log.columns[2];
        let found = match &column.tap {
            Some(tap) => format!("{}.{tap}", column.role),
            None => column.role.clone(),
        };
        if found != *expected {
            wrong.push(format!("{name}: {found} instead of {expected} ({})", column.why));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn what_was_known_by_its_values_says_so() {
    let log = read(write("time_s,CH1,CH2", |r| format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)));
    is_the_log(&log);
    has_rpm(&log);
    says(&why(&log, "CH1"), &["its name has no meaning", "level"]);
    says(&why(&log, "CH2"), &["its name has no meaning", "0 at first"]);
}

/// As an engine computer's log is written: nothing in it is a consumer.
#[test]
fn a_whole_log_of_an_engine_computer_has_no_load() {
    let names = OTHERS.iter().filter(|(_, _, role)| *role == "ignored").map(|(name, _, _)| *name);
    let header = format!("time_s,battery_v,{}", names.collect::<Vec<_>>().join(","));
    let log = read(write(&header, |r| {
        let cells = OTHERS.iter().filter(|(_, _, role)| *role == "ignored");
        let cells: Vec<String> = cells.map(|(_, value, _)| value(r).to_string()).collect();
        format!("{:.1},{:.2},{}", r.t, r.v, cells.join(","))
    }));
    is_the_log(&log);
    assert!(log.load_names().is_empty(), "{:?}", log.load_names());
}
