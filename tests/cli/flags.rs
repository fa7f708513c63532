//! What each flag does, and what wrong use gets.

use crate::support::{Garage, csv, plain};

fn garage() -> Garage {
    let garage = Garage::new();
    garage.put("log.csv", plain());
    garage
}

fn loads(said: &serde_json::Value) -> Vec<(String, f64, String)> {
    said["load_steps"]
        .as_array()
        .expect("steps")
        .iter()
        .map(|s| {
            let word = |key: &str| s[key].as_str().unwrap_or_default().to_owned();
            (word("load"), s["at_s"].as_f64().expect("a time"), word("direction"))
        })
        .collect()
}

#[test]
fn bare_and_with_the_verb_say_the_same() {
    let garage = garage();
    let bare = garage.run(&["log.csv"]).ends(0);
    let verb = garage.run(&["diagnose", "log.csv"]).ends(0);
    assert_eq!(bare.stdout, verb.stdout);
    assert!(bare.stdout.starts_with("FALLS SHORT AT IDLE"), "{}", bare.stdout);
    assert!(bare.stdout.contains("stiffbus-report/log/report.html"), "{}", bare.stdout);
}

#[test]
fn a_column_named_by_hand() {
    let garage = Garage::new();
    let text = csv("time (s),aux 1,aux 2,aux 3,aux 4", |r| {
        format!("{:.1},{:.2},{:.2},{:.0},{}", r.t, r.v - 0.3, r.v, r.rpm, u8::from(r.fan))
    });
    garage.put("log.csv", text);
    garage.run(&["log.csv"]).ends(1).complains(&["log.csv", "--column"]);
    let args = [
        "log.csv",
        "--json",
        "-",
        "--column",
        "voltage=aux 2",
        "--column",
        "engine_rpm=#4",
        "--column",
        "load=AUX 4",
        "--column",
        "ignored=aux 1",
    ];
    let said = garage.run(&args).ends(0).json();
    let steps = loads(&said);
    assert_eq!(steps.len(), 2, "{steps:?}");
    assert!(steps.iter().all(|(load, _, _)| load == "aux 4"), "{steps:?}");
    assert_eq!(said["verdict"]["word"], "falls short at idle");
    garage.run(&["log.csv", "--column", "voltage=aux 9"]).ends(1).complains(&[
        "log.csv",
        "no column is called \"aux 9\"",
        "\"aux 2\"",
    ]);
}

#[test]
fn a_sample_rate_for_a_log_without_time() {
    let garage = Garage::new();
    garage.put(
        "log.csv",
        csv("battery voltage (V),engine rpm", |r| format!("{:.2},{:.0}", r.v, r.rpm)),
    );
    let said = garage.run(&["log.csv", "--sample-rate", "10", "--json", "-"]).ends(0).json();
    assert_eq!(said["source"]["duration_s"], 89.9);
    assert_eq!(said["source"]["sample_interval_s"], 0.1);
}

#[test]
fn marks_on_the_command_line_and_in_a_file() {
    let garage = Garage::new();
    garage.put(
        "log.csv",
        csv("time (s),battery voltage (V),engine rpm", |r| {
            format!("{:.1},{:.2},{:.0}", r.t, r.v, r.rpm)
        }),
    );
    let marks =
        ["log.csv", "--json", "-", "--mark", "40=radiator fan:on", "--mark", "60=radiator fan:off"];
    let by_hand = loads(&garage.run(&marks).ends(0).json());
    let expected = [("on", 40.0), ("off", 60.0)];
    assert_eq!(by_hand.len(), 2, "{by_hand:?}");
    for ((load, at_s, direction), (way, true_s)) in by_hand.iter().zip(expected) {
        assert_eq!((load.as_str(), direction.as_str()), ("radiator fan", way));
        assert!((at_s - true_s).abs() <= 0.3, "{at_s}");
    }
    garage.put("marks.csv", "time,load,state\n40,radiator fan,on\n60,radiator fan,off\n");
    let by_file = garage.run(&["log.csv", "--json", "-", "--marks", "marks.csv"]).ends(0).json();
    assert_eq!(loads(&by_file), by_hand);
    garage.put("bad.csv", "time,load,state\n40,fan,on\n60,fan,perhaps\n");
    garage.run(&["log.csv", "--marks", "bad.csv"]).ends(1).complains(&[
        "bad.csv, line 3",
        "\"perhaps\" is not a state",
        "time, load, state",
    ]);
    garage.run(&["log.csv", "--marks", "none.csv"]).ends(1).complains(&["none.csv: no such file"]);
    garage.run(&["log.csv", "--mark", "500=fan:on"]).ends(1).complains(&[
        "log.csv",
        "no mark is within this log",
        "89.9 s",
        "500.0 s",
    ]);
    // A mark two seconds late is moved, and the step's lag says so.
    let late = ["log.csv", "--json", "-", "--mark", "42=fan:on", "--mark", "60=fan:off"];
    let said = garage.run(&late).ends(0).json();
    let step = &said["load_steps"][0];
    assert!((step["at_s"].as_f64().expect("a time") - 40.0).abs() <= 0.3, "{step}");
    let how = step["lag"]["how"].as_str().expect("how");
    assert_eq!(how, "mark moved 2.0 s earlier to the voltage's response");
    let notices = said["source"]["notices"].to_string();
    assert!(notices.contains("is moved 2.0 s earlier"), "{notices}");
}

#[test]
fn amps_of_a_load_that_the_log_does_not_have_are_told_of() {
    let garage = garage();
    garage.put("car.toml", "[loads_a]\nfann = 31\n\"seat heater\" = 8\n\"always on\" = 20\n");
    let said = garage.run(&["log.csv", "--json", "-"]).ends(0).json();
    assert_eq!(
        said["source"]["notices"][0],
        "amps are stated for \"fann\" (did you mean \"fan\"?), \"seat heater\" but not used: this \
         log does not have them"
    );
    garage.put("car.toml", "[loads_a]\nFAN = 31\n");
    let said = garage.run(&["log.csv", "--json", "-"]).ends(0).json();
    assert!(!said["source"]["notices"].to_string().contains("amps are stated"));
}

/// The battery's resistance, and how it is known.
fn resistance(said: &serde_json::Value) -> (String, f64) {
    let r = &said["battery"]["resistance_ohm"];
    (r["how"].as_str().expect("how").to_owned(), r["high"].as_f64().expect("a number"))
}

#[test]
fn facts_about_the_car_by_flag_and_by_file() {
    let garage = garage();
    let run = |args: &[&str]| {
        let all = [&["log.csv", "--json", "-"], args].concat();
        garage.run(&all).ends(0).json()
    };
    let (plain_how, plain_ohm) = resistance(&run(&[]));
    let (cold_how, cold_ohm) = resistance(&run(&["--battery-c", "-10"]));
    assert!(cold_how.contains("at −10 °C") && cold_ohm > 1.2 * plain_ohm, "{cold_how} {cold_ohm}");
    let (how, _) = resistance(&run(&["--cca", "540"]));
    assert!(how.contains("540 A") && !plain_how.contains("540 A"), "{how} / {plain_how}");
    garage.put("car.toml", "setpoint_v = 14.3\n[battery]\ncca_a = 610\n");
    let by_file = run(&[]);
    assert!(resistance(&by_file).0.contains("610 A"), "{}", resistance(&by_file).0);
    // A flag overrules the file, the rest of the file stands.
    let both = run(&["--cca", "540"]);
    assert!(resistance(&both).0.contains("540 A"));
    assert_eq!(both["setpoint_v"], by_file["setpoint_v"]);
    assert_eq!(both["setpoint_v"]["value"], 14.3);
    assert_eq!(run(&["--setpoint-v", "14.25"])["setpoint_v"]["value"], 14.25);
    // Another file than the one beside the log.
    garage.put("other/coupe.toml", "[battery]\ncca_a = 480\n");
    let other = run(&["--car", "other/coupe.toml"]);
    assert!(resistance(&other).0.contains("480 A"));
    garage
        .run(&["log.csv", "--car", "none.toml"])
        .ends(1)
        .complains(&["none.toml", "Check the path"]);
    garage.put("car.toml", "[battery]\ncca = 610\n");
    garage.run(&["log.csv"]).ends(1).complains(&["car.toml, line 2", "cca_a"]);
}

#[test]
fn the_kind_of_battery_and_the_standard_of_its_amps_count() {
    let garage = garage();
    let run = |args: &[&str]| {
        let all = [&["log.csv", "--json", "-"], args].concat();
        garage.run(&all).ends(0).json()
    };
    let charge = |said: &serde_json::Value| {
        let at = &said["state_of_charge_percent"];
        (at["value"].as_f64().expect("a charge"), at["how"].as_str().expect("how").to_owned())
    };
    let (flooded, agm) = (charge(&run(&[])), charge(&run(&["--battery", "agm"])));
    assert!(flooded.1.contains("flooded") && agm.1.contains("AGM"), "{} / {}", flooded.1, agm.1);
    assert!(agm.0 < flooded.0 - 5.0, "the same voltage is less charge: {} / {}", agm.0, flooded.0);
    garage.put("car.toml", "[battery]\nkind = \"agm\"\n");
    assert_eq!(charge(&run(&[])), agm);
    garage.put("car.toml", "");
    // 540 A of DIN are a stronger battery than 540 A of SAE; without a word it may be either.
    let ohm = |args: &[&str]| {
        let r = run(args)["battery"]["resistance_ohm"].clone();
        ["low", "value", "high"].map(|end| r[end].as_f64().expect("ohms"))
    };
    let sae = ohm(&["--cca", "540", "--cca-standard", "SAE"]);
    let din = ohm(&["--cca", "540", "--cca-standard", "din"]);
    let unstated = ohm(&["--cca", "540"]);
    assert!(din[1] < 0.9 * sae[1], "{din:?} {sae:?}");
    assert!(unstated[0] < sae[0] && unstated[2] >= 0.95 * sae[2], "{unstated:?} {sae:?}");
    garage.run(&["log.csv", "--battery", "lead"]).ends(2).complains(&["lead", "agm"]);
    garage.run(&["log.csv", "--cca-standard", "JIS"]).ends(2).complains(&["JIS", "SAE"]);
}

/// 0.30 V lost to a fan of 31 A at 13.5 V on a bus that the battery alone carries:
/// a motor draws 27.6 A at 12.0 V, so 10.9 mΩ, however the load's name is spelt.
#[test]
fn amps_of_a_known_load() {
    let garage = Garage::new();
    let sag = |v: f64, fan: bool| if fan { v - 2.2 } else { v - 1.9 };
    garage.put(
        "log.csv",
        csv("time (s),battery voltage (V),engine rpm,Fan relay", |r| {
            let v = if r.t < 12.0 { r.v } else { sag(14.2 + 0.01 * (r.i % 3) as f64, r.fan) };
            format!("{:.1},{v:.2},{:.0},{}", r.t, r.rpm, u8::from(r.fan))
        }),
    );
    let run = |args: &[&str]| {
        garage.run(&[&["log.csv", "--json", "-", "--setpoint-v", "14.3"], args].concat()).ends(0)
    };
    let known = run(&["--load-amps", "fan RELAY=31A"]);
    assert_eq!(known.stderr, "");
    let r = &known.json()["battery"]["resistance_ohm"];
    assert_eq!(r["grade"], "inferred", "{r}");
    // The shift holds some polarisation, so the hand value lies in the interval
    // rather than on the estimate.
    let ohm = |key: &str| r[key].as_f64().expect("ohms");
    let by_hand = 0.30 / (31.0 * 12.0 / 13.5);
    assert!(ohm("low") < by_hand && by_hand < ohm("high"), "{r}");
    assert!((ohm("value") / by_hand - 1.0).abs() < 0.1, "{r}");
    // The same amps, as a clamp would have read them there.
    let there = run(&["--load-amps", "Fan relay=27.6A@12.0V"]).json();
    let there_ohm = there["battery"]["resistance_ohm"]["value"].as_f64().expect("ohms");
    assert!((there_ohm / ohm("value") - 1.0).abs() < 0.02, "{there_ohm}");
    let plain = run(&[]).json();
    assert_eq!(plain["battery"]["resistance_ohm"]["grade"], "assumed");
    let other = run(&["--load-amps", "pump=9"]);
    assert!(other.stderr.contains("--load-amps pump has no effect"), "{}", other.stderr);
    assert!(other.stderr.contains("\"Fan relay\""), "{}", other.stderr);
    // The log says so too, and nothing else changes.
    let mut known = other.json();
    known["source"]["notices"] = plain["source"]["notices"].clone();
    assert_eq!(known, plain);
}

/// By hand: both taps differ by 0.62 V at most. 4 AWG has 0.2485 Ω per 1000 ft
/// (NBS Handbook 100, from memory), 2.609 mΩ over 3.2 m: no more than
/// (0.62 + 0.05) V / 2.6 mΩ = 257 A can flow, whatever the channels hide.
#[test]
fn a_cable_stated_by_flag_or_file() {
    let garage = Garage::new();
    garage.put(
        "log.csv",
        csv("time (s),battery voltage (V),alternator voltage (V),engine rpm", |r| {
            let v = if r.t < 12.0 { r.v } else { 13.8 + 0.01 * (r.i % 3) as f64 };
            let lost_v = if r.t < 12.0 { 0.0 } else { 0.62 };
            format!("{:.1},{v:.2},{:.2},{:.0}", r.t, v + lost_v, r.rpm)
        }),
    );
    let run = |args: &[&str]| garage.run(&[&["log.csv", "--json", "-"], args].concat()).ends(0);
    let by_flag = run(&["--cable", "4awg:3,2m"]).json();
    let row = &by_flag["line_drop"][0];
    assert_eq!((&row["side"], &row["current_a"]), (&"loop".into(), &serde_json::Value::Null));
    let cable = &row["cable_ohm"];
    assert_eq!(cable["grade"], "inferred");
    assert!(cable["low"].as_f64().expect("ohms") > 0.002609, "{cable}");
    let told = row["told"].as_str().expect("told");
    let most = told.split("at most ").nth(1).and_then(|t| t.split(' ').next()).expect(told);
    let most_a: f64 = most.parse().expect(told);
    assert!((200.0..=257.0).contains(&most_a), "{told}");
    garage.put("car.toml", "[cable]\ngauge = \"4AWG\"\nlength_m = 3.2\n");
    assert_eq!(run(&[]).json(), by_flag);
    assert!(garage.text("stiffbus-report/log/line_drop.csv").contains("loop"));
}

/// A clamp that was not zeroed reads 30 A of charge too many: what it says of the
/// battery no longer meets what the voltage says.
#[test]
fn a_clamp_off_its_zero_is_contradicted() {
    let garage = Garage::new();
    garage.put_sample("output-sweep.csv", "log.csv");
    let sound = garage.run(&["log.csv", "--json", "-"]).ends(0).json();
    let raised = |said: &serde_json::Value| {
        said["findings"].as_array().expect("findings").iter().any(|f| f["id"] == "amps-disagree")
    };
    assert!(!raised(&sound));
    let text = garage.text("log.csv");
    let mut column = None;
    let off: Vec<String> = text
        .lines()
        .map(|line| {
            let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
            column = column.or_else(|| cells.iter().position(|c| c.contains("battery current")));
            let Some(cell) = column.and_then(|at| cells.get_mut(at)) else {
                return line.to_owned();
            };
            if let Ok(amps) = cell.parse::<f64>() {
                *cell = format!("{:.1}", amps + 30.0);
            }
            cells.join(",")
        })
        .collect();
    garage.put("off.csv", off.join("\n"));
    let said = garage.run(&["off.csv", "--json", "-"]).ends(0).json();
    assert!(raised(&said), "{}", said["findings"]);
}

/// The sweep against its own sheet, by flag and by `car.toml`; and against one of
/// a machine half as large again, which the log cannot have met.
#[test]
fn the_alternators_sheet() {
    let garage = Garage::new();
    garage.put_sample("output-sweep.csv", "log.csv");
    garage.put_sample("sheets/old-70a.csv", "sheets/old.csv");
    let said = |args: &[&str]| {
        let run = garage.run(&[&["log.csv", "--json", "-"], args].concat()).ends(0);
        assert_eq!(run.stderr, "");
        run.json()
    };
    let raises = |said: &serde_json::Value, id: &str| {
        said["findings"].as_array().expect("findings").iter().any(|f| f["id"] == id)
    };
    let none = said(&[]);
    assert_eq!(none["output"]["standing"], serde_json::Value::Null);
    assert!(raises(&none, "weak-output"));
    let own = said(&["--alternator-curve", "sheets/old.csv"]);
    assert_eq!(own["output"]["standing"], "meets", "{}", own["output"]["statement"]);
    assert!(!raises(&own, "weak-output") && !raises(&own, "output-below-sheet"));
    assert_eq!(own["output"]["sheet"]["file"], "old.csv");
    assert_eq!(own["output"]["sheet"]["test_v"]["value"], 13.5);

    garage.put("car.toml", "[alternator]\ncurve = \"sheets/old.csv\"\ncurve_c = 20\n");
    let by_car = said(&[]);
    assert_eq!(by_car["output"]["sheet"]["test_c"]["value"], 20.0);
    assert_eq!(by_car["output"]["standing"], "meets");
    let flagged = said(&["--curve-c=-5", "--curve-v", "14"]);
    assert_eq!(flagged["output"]["sheet"]["test_c"]["value"], -5.0);
    assert_eq!(flagged["output"]["sheet"]["test_v"]["value"], 14.0);

    let points = [(1200, 0), (1500, 24), (2000, 50), (2500, 68), (3000, 81), (8000, 110)];
    let larger: String = points.map(|(rpm, amps)| format!("{rpm};{amps}\n")).concat();
    garage.put("larger.csv", larger);
    let below = said(&["--alternator-curve", "larger.csv"]);
    assert_eq!(below["output"]["standing"], "below");
    assert!(raises(&below, "output-below-sheet") && !raises(&below, "weak-output"));

    garage.put("bad.csv", "rpm,amps\n1500,35\n2000,3o\n");
    garage.run(&["log.csv", "--alternator-curve", "bad.csv"]).ends(1).complains(&[
        "bad.csv, line 3",
        "\"amps\"",
        "\"3o\"",
    ]);
    garage
        .run(&["log.csv", "--json", "larger.csv", "--alternator-curve", "larger.csv"])
        .ends(2)
        .complains(&["a file that is read"]);
    garage
        .run(&["log.csv", "--json", "sheets/old.csv"])
        .ends(1)
        .complains(&["a file that is read"]);
    garage.put("plain.csv", plain());
    let run = garage.run(&["plain.csv", "--json", "-"]).ends(0);
    assert_eq!(run.json()["output"], serde_json::Value::Null);
    assert!(
        run.json()["verdict"]["cannot_tell"].to_string().contains("the output on its data sheet")
    );
    let bare = Garage::new();
    bare.put("log.csv", plain());
    let run = bare.run(&["log.csv", "--curve-v", "13.5"]).ends(0);
    assert!(run.stderr.contains("no effect without --alternator-curve"), "{}", run.stderr);
}

#[test]
fn json_to_a_file_and_to_standard_output() {
    let garage = garage();
    let piped = garage.run(&["log.csv", "--json", "-"]).ends(0);
    let filed = garage.run(&["log.csv", "--json", "said.json"]).ends(0);
    assert_eq!(garage.text("said.json"), piped.stdout);
    assert_eq!(garage.text("stiffbus-report/log/diagnosis.json"), piped.stdout);
    assert!(filed.stdout.starts_with("FALLS SHORT"), "{}", filed.stdout);
    assert_eq!(piped.json()["schema"], "stiffbus.diagnosis.v2");
}

#[test]
fn json_never_onto_what_is_read_or_to_nowhere() {
    let garage = garage();
    garage.put("marks.csv", "time,load,state\n40,pump,on\n");
    let before = garage.names();
    let text = garage.text("log.csv");
    garage
        .run(&["log.csv", "--json", "log.csv"])
        .ends(2)
        .complains(&["--json log.csv", "a file that is read"]);
    garage.run(&["log.csv", "--json", "./car.toml"]).ends(2).complains(&["a file that is read"]);
    garage
        .run(&["log.csv", "--marks", "marks.csv", "--json", "marks.csv"])
        .ends(2)
        .complains(&["a file that is read"]);
    garage.run(&["log.csv", "--json", "no/where.json"]).ends(1).complains(&[
        "no/where.json",
        "folder no does not exist",
        "--json",
    ]);
    garage.run(&["log.csv", "--json", "."]).ends(1).complains(&["is a folder"]);
    assert_eq!(garage.text("log.csv"), text);
    assert_eq!(garage.names(), before);
}

#[test]
fn fail_on_is_for_scripts() {
    let garage = garage();
    // The fan costs 1.1 V of 14.2 V: at its limit, the battery hardly charged.
    garage.run(&["log.csv", "--fail-on", "limited"]).ends(3);
    garage.run(&["log.csv", "--fail-on", "draining"]).ends(0);
    let flat = csv("time (s),battery voltage (V),engine rpm", |r| {
        let v = if r.fan { r.v + 1.1 } else { r.v };
        format!("{:.1},{v:.2},{:.0}", r.t, r.rpm)
    });
    garage.put("flat.csv", flat);
    garage.run(&["flat.csv", "--fail-on", "limited"]).ends(0);
}

#[test]
fn wrong_use_exits_2_and_says_how() {
    let garage = garage();
    let before = garage.names();
    let cases: [(&[&str], &str); 19] = [
        (&[], "Usage"),
        (&["diagnose"], "<LOG>"),
        (&["log.csv", "--bogus"], "--bogus"),
        (&["log.csv", "--fail-on", "never"], "limited, draining"),
        (&["log.csv", "--column", "voltage"], "ROLE=NAME"),
        (&["log.csv", "--column", "bus=A"], "\"bus\" is not a role"),
        (&["log.csv", "--mark", "fan:on"], "63.2=fans:on"),
        (&["log.csv", "--sample-rate", "0"], "not a number over 0"),
        (&["log.csv", "--sample-rate", "fast"], "not a number over 0"),
        (&["log.csv", "--cca", "-3"], "not a number over 0"),
        (&["log.csv", "--setpoint-v", "nan"], "not a number over 0"),
        (&["log.csv", "--cable", "4AWG"], "as in 4AWG:3.2m"),
        (&["log.csv", "--cable", "4gage:3.2m"], "1/0AWG to 4/0AWG"),
        (&["log.csv", "--ground", "4AWG:3.2"], "0.05 to 30 m"),
        (&["log.csv", "--load-amps", "31"], "LOAD=AMPS"),
        (&["log.csv", "--curve-v", "0"], "not a number over 0"),
        (&["log.csv", "--curve-c", "hot"], "not a test temperature"),
        (&["log.csv", "--out", "."], "folder of its own"),
        (&["--force", "diagnose", "log.csv"], "must come first"),
    ];
    for (args, part) in cases {
        let run = garage.run(args).ends(2).complains(&[part]);
        assert_eq!(run.stdout, "", "{args:?}");
    }
    assert_eq!(garage.names(), before);
}

#[test]
fn help_and_version_are_no_errors() {
    let garage = Garage::new();
    let help = garage.run(&["--help"]).ends(0);
    for part in ["diagnose", "demo", "--column", "--load-amps", "Exit codes: 0 analyzed"] {
        assert!(help.stdout.contains(part), "no {part} in {}", help.stdout);
    }
    assert!(garage.run(&["--version"]).ends(0).stdout.starts_with("stiffbus "));
}

#[test]
fn piped_output_carries_no_escape_codes() {
    let garage = garage();
    for (name, value) in [("TERM", "xterm-256color"), ("NO_COLOR", "1")] {
        let output =
            garage.command(&["log.csv"]).env(name, value).output().expect("the binary runs");
        assert!(!output.stdout.contains(&0x1b), "{name}");
    }
    // Where colour is forced it is there, unless NO_COLOR says no: so the check above can fail.
    let forced = |no_color: bool| {
        let mut command = garage.command(&["log.csv"]);
        command.env("CLICOLOR_FORCE", "1");
        if no_color {
            command.env_remove("CLICOLOR_FORCE").env("NO_COLOR", "1");
        }
        command.output().expect("the binary runs").stdout.contains(&0x1b)
    };
    assert!(forced(false));
    assert!(!forced(true));
}

#[test]
fn a_reader_that_goes_away_is_no_crash() {
    use std::process::Stdio;
    let garage = garage();
    let mut child = garage
        .command(&["log.csv"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary runs");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty());
    assert!(garage.has("stiffbus-report/log/report.html"));
}

#[test]
fn the_demo_goes_where_it_is_told() {
    let garage = Garage::new();
    let run = garage.run(&["demo", "my demo"]).ends(0);
    assert!(run.stdout.contains("my demo"), "{}", run.stdout);
    assert!(garage.has("my demo/truth.json") && garage.has("my demo/dyno-day/run-8.csv"));
    garage.put("file", "x");
    garage.run(&["demo", "file"]).ends(1).complains(&["file", "cannot write"]);
    assert_eq!(garage.text("file"), "x");
}
