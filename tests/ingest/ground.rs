//! Which columns are the voltage along the ground path, and which are not.

use stiffbus::ingest::{ReadOptions, RoleRequest};
use stiffbus::log::{Log, Role, Tap};

use crate::support::*;

/// A ground that loses 20 to 90 mV.
fn ground_v(r: &Row) -> f64 {
    0.02 + 0.01 * (r.i % 8) as f64
}

fn with_ground(name: &str, value: impl Fn(&Row) -> f64) -> Log {
    read(write(&format!("time_s,battery voltage (V),engine rpm,{name}"), |r| {
        format!("{:.1},{:.2},{:.0},{:.3}", r.t, r.v, r.rpm, value(r))
    }))
}

#[test]
fn by_meaning_in_the_languages_of_the_trade() {
    for name in [
        "ground drop (V)",
        "Ground Drop",
        "engine ground V",
        "engine ground [V]",
        "EngineGnd_V",
        "case to battery negative (V)",
        "alternator case to battery negative [V]",
        "Masse [V]",
        "Motormasse [V]",
        "Massespannung [V]",
        "Masse Spannungsabfall",
        "chute de tension masse (V)",
        "caduta massa motore [V]",
        "Klemme 31 [V]",
    ] {
        let log = with_ground(name, ground_v);
        is_the_log(&log);
        let column = &log.columns[3];
        assert_eq!(column.role, "ground_drop", "{name}: {}", column.why);
        let expected: Vec<f64> = rows(60).iter().map(ground_v).collect();
        close(log.channel(Role::GroundDrop).expect("a ground"), &expected, 1e-9);
    }
}

#[test]
fn millivolts_and_leads_the_other_way_round() {
    let log = with_ground("ground drop (mV)", |r| 1000.0 * ground_v(r));
    let expected: Vec<f64> = rows(60).iter().map(ground_v).collect();
    close(log.channel(Role::GroundDrop).expect("a ground"), &expected, 1e-9);
    let log = with_ground("engine ground (V)", |r| -ground_v(r));
    assert_eq!(log.columns[3].role, "ground_drop", "{}", log.columns[3].why);
    // Without a unit, 20 to 90 of anything can only be millivolts.
    let log = with_ground("ground voltage drop", |r| 1000.0 * ground_v(r));
    close(log.channel(Role::GroundDrop).expect("a ground"), &expected, 1e-9);
}

/// A wrong guess is worse than a question.
#[test]
fn what_only_sounds_like_it() {
    for name in [
        "aux (V)",
        "CH4 (V)",
        "shunt (V)",
        "sensor ground (V)",
        "TPS ground (V)",
        "fan ground (V)",
        "ECU ground (V)",
        "body ground (V)",
        "chassis ground (V)",
        "Luftmasse (V)",
        "masse d'air (V)",
        "Ground speed (V)",
        "background (V)",
        "max ground drop (V)",
        "ground",
    ] {
        let log = with_ground(name, ground_v);
        assert_eq!(log.columns[3].role, "ignored", "{name}: {}", log.columns[3].why);
        assert!(log.channel(Role::GroundDrop).is_none(), "{name}");
        is_the_log(&log);
    }
    // A channel that never moves may have nothing wired to it, whatever its name.
    for (name, volts) in [("aux (V)", 0.01), ("engine ground (V)", 0.0), ("Masse [V]", 0.02)] {
        let log = with_ground(name, |_| volts);
        assert_eq!(log.columns[3].role, "ignored", "{name}: {}", log.columns[3].why);
    }
    says(&why(&with_ground("engine ground (V)", |_| 0.0), "engine ground"), &["it is constant"]);
    let log = with_ground("engine ground (V)", |r| 2.0 + ground_v(r));
    says(&why(&log, "engine ground"), &["more than the drop of a ground path", "ground_drop=NAME"]);
}

#[test]
fn a_ground_is_never_the_bus() {
    // Alone in the log: no bus, and a question.
    let said = error(write("time_s,engine ground (V),engine rpm", |r| {
        format!("{:.1},{:.3},{:.0}", r.t, ground_v(r), r.rpm)
    }));
    says(&said, &["engine ground"]);
    // Named a ground and reading like a bus: ask.
    for name in ["engine ground (V)", "battery negative (V)", "ground drop (V)"] {
        let said = error(write(&format!("time_s,{name},engine rpm"), |r| {
            format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)
        }));
        says(&said, &["name says ground", "--column voltage=NAME"]);
    }
    // Read against ground is the bus all the same.
    for name in
        ["battery voltage to ground (V)", "Batterie gegen Masse [V]", "battery + to GND (V)"]
    {
        let log = read(write(&format!("time_s,{name},engine rpm"), |r| {
            format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)
        }));
        is_the_log(&log);
        assert_eq!(log.bus, Tap::Battery);
    }
}

#[test]
fn two_grounds_are_a_question_and_a_flag_answers() {
    let text = write("time_s,battery voltage (V),engine ground (V),ground (V)", |r| {
        format!("{:.1},{:.2},{:.3},{:.3}", r.t, r.v, ground_v(r), 0.5 * ground_v(r))
    });
    let log = read(&text);
    assert!(log.channel(Role::GroundDrop).is_none());
    notice(&log, "--column ground_drop=NAME");
    for word in ["ground_drop", "voltage.ground"] {
        let asked: RoleRequest = format!("{word}=engine ground").parse().expect("a request");
        let options = ReadOptions { columns: vec![asked], ..Default::default() };
        let log = read_with(&text, &options);
        let expected: Vec<f64> = rows(60).iter().map(ground_v).collect();
        close(log.channel(Role::GroundDrop).expect("a ground"), &expected, 1e-9);
    }
}
