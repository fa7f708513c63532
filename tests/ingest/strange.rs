//! Dialects that nobody prepared for: invented after the reading was written,
//! as practitioners' loggers write. All hold the numbers of one simulated log,
//! which the tool has to read back without a flag and judge as its truth says.

use std::fmt::Write;
use std::sync::OnceLock;

use stiffbus::car::Car;
use stiffbus::demo::scenario::recordings;
use stiffbus::demo::simulate;
use stiffbus::diagnose;
use stiffbus::diagnosis::VerdictWord;
use stiffbus::log::{Log, Place, Role};

use crate::support::read;

/// One sample of the simulated log, as its logger wrote it.
#[derive(Debug, Clone, Copy)]
struct Sample {
    i: usize,
    t: f64,
    v: f64,
    rpm: f64,
    coolant_c: f64,
    fan: bool,
    ac: bool,
    blower: f64,
}

impl Sample {
    fn ms(&self) -> u64 {
        (self.t * 1e3).round() as u64
    }

    /// 14:05:12 and the milliseconds, for a log begun at five past two.
    fn of_day(&self) -> (String, u64) {
        let ms = self.ms();
        let s = 14 * 3600 + 5 * 60 + ms / 1000;
        (format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60), ms % 1000)
    }

    fn fahrenheit(&self) -> f64 {
        self.coolant_c * 1.8 + 32.0
    }
}

/// The owner's complaint, with three loads: 4371 samples at ten a second.
fn samples() -> &'static [Sample] {
    static SAMPLES: OnceLock<Vec<Sample>> = OnceLock::new();
    SAMPLES.get_or_init(|| {
        let all = recordings().expect("the scenario");
        let r = all.iter().find(|r| r.name == "hot-idle-old-alternator").expect("the complaint");
        let log = simulate(&r.car, &r.script, &r.logger, r.seed);
        let at = |channel: usize, i: usize| log.written[channel][i];
        (0..log.time_s.len())
            .map(|i| Sample {
                i,
                t: log.time_s[i],
                v: at(0, i),
                rpm: at(1, i),
                coolant_c: at(2, i),
                fan: at(3, i) > 0.5,
                ac: at(4, i) > 0.5,
                blower: at(5, i),
            })
            .collect()
    })
}

fn every(mut line: impl FnMut(&Sample) -> String) -> String {
    samples().iter().fold(String::new(), |mut text, s| {
        text.push_str(&line(s));
        text
    })
}

fn comma(number: String) -> String {
    number.replace('.', ",")
}

#[track_caller]
fn close(what: &str, found: &[f64], expected: impl Iterator<Item = f64>, tolerance: f64) {
    let expected: Vec<f64> = expected.collect();
    assert_eq!(found.len(), expected.len(), "{what}: length");
    for (i, (a, b)) in found.iter().zip(expected).enumerate() {
        assert!((a - b).abs() <= tolerance, "{what}, sample {i}: {a} instead of {b}");
    }
}

/// Time, voltage and speed are the simulated log's, `fan` is its fan, `others`
/// are there too, and the verdict is the truth's.
#[track_caller]
fn is_the_complaint(text: impl AsRef<[u8]>, time_s: f64, fan: &str, others: &[&str]) -> Log {
    let log = read(text);
    let all = samples();
    close("time", log.time_s(), all.iter().map(|s| s.t), time_s);
    close("volts", log.bus_v(), all.iter().map(|s| s.v), 0.0051);
    close("rpm", log.engine_rpm().expect("an engine speed"), all.iter().map(|s| s.rpm), 0.51);
    let mut loads = log.load_names().to_vec();
    loads.sort();
    let mut wanted: Vec<String> =
        others.iter().chain([&fan]).map(|name| name.to_string()).collect();
    wanted.sort();
    assert_eq!(loads, wanted, "{:#?}", log.columns);
    close("fan", log.load(fan).expect("the fan"), all.iter().map(|s| f64::from(s.fan)), 1e-9);
    judged_right(&log);
    log
}

#[track_caller]
fn judged_right(log: &Log) {
    let diagnosis = diagnose(log, &Car::default()).expect("a diagnosis");
    assert_eq!(
        diagnosis.verdict.word,
        VerdictWord::FallsShortAtIdle,
        "{}",
        diagnosis.verdict.headline
    );
}

/// A German bench recorder: key and value lines, a units row, decimal commas,
/// a separator too many on each line, statistics at the foot, Windows letters.
#[test]
fn a_bench_recorder_with_statistics_at_the_foot() {
    let mut text = String::from(
        "Messprotokoll;;;;;\r\nKunde;Müller (erfunden);;;;\r\nAuftrag;4711;;;;\r\nAbtastrate;10;Hz;;;\r\n\r\n\
         Uhrzeit;Bordnetzspannung;Motordrehzahl;Kühlwassertemp.;E-Lüfter;Gebläse;\r\n\
         hh:mm:ss,000;V;1/min;°C;;%;\r\n",
    );
    text += &every(|s| {
        let (clock, ms) = s.of_day();
        format!(
            "{clock},{ms:03};{};{:.0};{};{};{:.0};\r\n",
            comma(format!("{:.2}", s.v)),
            s.rpm,
            comma(format!("{:.1}", s.coolant_c)),
            if s.fan { "EIN" } else { "AUS" },
            s.blower * 100.0
        )
    });
    text += "\r\nMinimum;9,87;0;64,0;;0;\r\nMaximum;14,41;3010;95,0;;60;\r\nMittelwert;13,40;1200;90,1;;20;\r\n\
             Ende der Aufzeichnung;;;;;;\r\n";
    let bytes = encoding_rs::WINDOWS_1252.encode(&text).0.into_owned();
    let log = is_the_complaint(bytes, 6e-4, "E-Lüfter", &["Gebläse"]);
    assert!(log.channel(Role::Temperature(Place::Coolant)).is_some(), "{:#?}", log.columns);
}

/// A French tablet: bare CR line ends, milliseconds and millivolts, words for
/// on and off, remarks between the rows.
#[test]
fn a_tablet_with_bare_returns_and_remarks() {
    let mut text = String::from(
        "// Enregistrement atelier\r\
         Temps écoulé (ms)\tTension batterie (mV)\tRégime moteur (tr/min)\tMotoventilateur\tClimatisation\r",
    );
    text += &every(|s| {
        let remark = if s.i % 900 == 450 { "// repère posé par l'opérateur\r" } else { "" };
        let word = |on| if on { "marche" } else { "arrêt" };
        format!(
            "{remark}{}\t{:.0}\t{:.0}\t{}\t{}\r",
            s.ms(),
            s.v * 1000.0,
            s.rpm,
            word(s.fan),
            word(s.ac)
        )
    });
    is_the_complaint(text, 6e-4, "Motoventilateur", &["Climatisation"]);
}

/// A Polish logger: blanks before everything, decimal commas, wł and wył.
#[test]
fn blanks_before_everything() {
    let mut text = String::from(
        "  Czas [s] ;  Napięcie akumulatora [V] ;  Obroty silnika [obr/min] ;  Temperatura płynu [°C] ;  Wentylator\n",
    );
    text += &every(|s| {
        format!(
            "  {:>9} ;  {:>8} ;  {:>6.0} ;  {:>6} ;  {}\n",
            comma(format!("{:.3}", s.t)),
            comma(format!("{:.2}", s.v)),
            s.rpm,
            comma(format!("{:.1}", s.coolant_c)),
            if s.fan { "wł." } else { "wył." }
        )
    });
    is_the_complaint(text, 6e-4, "Wentylator", &[]);
}

/// A Japanese recorder in its own encoding, every cell in quotes.
#[test]
fn every_cell_quoted_in_shift_jis() {
    let mut text = String::from(
        "\"時間(秒)\",\"バッテリー電圧(V)\",\"エンジン回転数(rpm)\",\"水温(℃)\",\"冷却ファン\",\"エアコン\"\r\n",
    );
    text += &every(|s| {
        let word = |on| if on { "ON" } else { "OFF" };
        format!(
            "\"{:.3}\",\"{:.2}\",\"{:.0}\",\"{:.1}\",\"{}\",\"{}\"\r\n",
            s.t,
            s.v,
            s.rpm,
            s.coolant_c,
            word(s.fan),
            word(s.ac)
        )
    });
    let bytes = encoding_rs::SHIFT_JIS.encode(&text).0.into_owned();
    let log = is_the_complaint(bytes, 6e-4, "冷却ファン", &["エアコン"]);
    assert!(log.channel(Role::Temperature(Place::Coolant)).is_some(), "{:#?}", log.columns);
}

/// A column of no use here: its name and its cells.
type Other = (&'static str, fn(&Sample) -> String);

/// An engine controller that logs all it has: forty columns, microseconds.
#[test]
fn forty_columns_and_microseconds() {
    let others: [Other; 34] = [
        ("TPS (V)", |s| format!("{:.2}", 0.6 + 0.001 * (s.i % 9) as f64)),
        ("Throttle position (%)", |s| format!("{:.1}", 2.0 + (s.i % 5) as f64 * 0.1)),
        ("MAP (kPa)", |s| format!("{:.1}", 35.0 + (s.i % 7) as f64)),
        ("Baro (kPa)", |_| "101.2".into()),
        ("IAT (°F)", |s| format!("{:.0}", 88.0 + (s.i / 900) as f64)),
        ("CLT (°F)", |s| format!("{:.0}", s.fahrenheit())),
        ("Lambda 1", |s| format!("{:.3}", 0.99 + 0.002 * (s.i % 11) as f64)),
        ("Lambda 1 heater duty (%)", |s| format!("{}", 40 + s.i % 3)),
        ("Wideband sensor (V)", |s| format!("{:.2}", 2.45 + 0.01 * (s.i % 6) as f64)),
        ("Lambda target", |_| "1.000".into()),
        ("Injector pulse (ms)", |s| format!("{:.2}", 2.1 + 0.01 * (s.i % 8) as f64)),
        ("Injector duty (%)", |s| format!("{:.1}", 1.5 + 0.1 * (s.i % 4) as f64)),
        ("Injector dead time (ms)", |s| format!("{:.2}", 1.0 + (14.0 - s.v) * 0.1)),
        ("Ignition advance (deg)", |s| format!("{:.1}", 12.0 + (s.i % 6) as f64)),
        ("Dwell (ms)", |s| format!("{:.2}", 3.0 + (14.0 - s.v) * 0.2)),
        ("Knock level (V)", |s| format!("{:.2}", 0.3 + 0.01 * (s.i % 5) as f64)),
        ("Knock retard (deg)", |_| "0".into()),
        ("Idle valve duty (%)", |s| format!("{}", 30 + s.i % 4)),
        ("Idle target (rpm)", |_| "850".into()),
        ("Boost target (kPa)", |_| "0".into()),
        ("Wastegate duty (%)", |_| "0".into()),
        ("Fuel pressure (kPa)", |s| format!("{:.0}", 300.0 + (s.i % 3) as f64)),
        ("Oil pressure (kPa)", |s| format!("{:.0}", 220.0 + (s.i % 9) as f64)),
        ("Oil temp (°F)", |s| format!("{:.0}", s.fahrenheit() - 8.0)),
        ("Vehicle speed (km/h)", |_| "0".into()),
        ("Gear", |_| "0".into()),
        ("5V ref (V)", |s| format!("{:.2}", 5.0 + 0.01 * (s.i % 2) as f64)),
        ("ECU temp (°F)", |s| format!("{:.0}", 110.0 + (s.i / 600) as f64)),
        ("Sync errors", |_| "0".into()),
        ("Fuel level (V)", |_| "2.31".into()),
        ("STFT (%)", |s| format!("{:.1}", (s.i % 7) as f64 - 3.0)),
        ("LTFT (%)", |_| "1.6".into()),
        ("Launch switch", |_| "0".into()),
        ("Clutch switch", |s| format!("{}", u8::from(s.i < 190))),
    ];
    let mut text = String::from("Time (us),RPM");
    for (name, _) in &others[..17] {
        let _ = write!(text, ",{name}");
    }
    text += ",Battery (V),Fan 1 output";
    for (name, _) in &others[17..] {
        let _ = write!(text, ",{name}");
    }
    text += ",A/C clutch output,Blower duty (%)\n";
    assert_eq!(text.matches(',').count(), 39);
    text += &every(|s| {
        let mut line = format!("{},{:.0}", 81_000_000 + s.ms() * 1000, s.rpm);
        for (_, cell) in &others[..17] {
            let _ = write!(line, ",{}", cell(s));
        }
        let _ = write!(line, ",{:.2},{}", s.v, u8::from(s.fan));
        for (_, cell) in &others[17..] {
            let _ = write!(line, ",{}", cell(s));
        }
        let _ = writeln!(line, ",{},{:.0}", u8::from(s.ac), s.blower * 100.0);
        line
    });
    let log = is_the_complaint(text, 6e-4, "Fan 1 output", &["A/C clutch output", "Blower duty"]);
    let coolant = log.channel(Role::Temperature(Place::Coolant)).expect("a coolant temperature");
    close("coolant", coolant, samples().iter().map(|s| s.coolant_c), 0.3);
}

/// A phone that asks one thing after the other: each row holds one answer.
#[test]
fn one_reading_a_row() {
    let mut text =
        String::from("Timestamp,Module voltage (V),Engine RPM (rpm),Coolant (°F),Radiator fan\n");
    text += &every(|s| {
        let ms = s.ms();
        let stamp = |late: u64| {
            let ms = ms + late;
            format!("2031-05-17 14:{:02}:{:02}.{:03}", ms / 60_000, ms / 1000 % 60, ms % 1000)
        };
        format!(
            "{},{:.2},,,\n{},,{:.0},,\n{},,,{:.0},\n{},,,,{}\n",
            stamp(0),
            s.v,
            stamp(12),
            s.rpm,
            stamp(25),
            s.fahrenheit(),
            stamp(31),
            if s.fan { "on" } else { "off" }
        )
    });
    let log = read(text);
    let all = samples();
    close("time", log.time_s(), all.iter().map(|s| s.t), 6e-4);
    close("volts", log.bus_v(), all.iter().map(|s| s.v), 0.0051);
    assert_eq!(log.load_names(), ["Radiator fan"]);
    // Each other reading is the one before: it came after this row's voltage.
    let rpm = log.engine_rpm().expect("an engine speed");
    close("rpm", &rpm[1..], all.iter().map(|s| s.rpm).take(all.len() - 1), 0.51);
    judged_right(&log);
}

/// A phone that writes each reading with its unit, and the clock with colons
/// before the milliseconds.
#[test]
fn units_in_every_cell() {
    let mut text = String::from("Clock,Battery,Engine,Coolant,Cooling fan,A/C\n");
    text += &every(|s| {
        let (clock, ms) = s.of_day();
        format!(
            "{clock}:{ms:03},{:.2} V,{:.0} rpm,{:.1} °C,{},{}\n",
            s.v,
            s.rpm,
            s.coolant_c,
            if s.fan { "On" } else { "Off" },
            if s.ac { "On" } else { "Off" },
        )
    });
    is_the_complaint(text, 6e-4, "Cooling fan", &["A/C"]);
}

/// Groups above the names, a rule under them, a line count at the end.
#[test]
fn groups_above_the_names_and_a_rule_below() {
    let mut text = String::from(
        "| General |            | Engine |         | Loads |     |\n\
         | time    | battery    | speed  | coolant | fan   | a/c |\n\
         | s       | V          | rpm    | degC    |       |     |\n\
         |---------|------------|--------|---------|-------|-----|\n",
    );
    text += &every(|s| {
        format!(
            "| {:>7.3} | {:>10.2} | {:>6.0} | {:>7.1} | {:>5} | {:>3} |\n",
            s.t,
            s.v,
            s.rpm,
            s.coolant_c,
            u8::from(s.fan),
            u8::from(s.ac)
        )
    });
    let _ = write!(text, "\n({} rows)\n", samples().len());
    is_the_complaint(text, 6e-4, "fan", &["a/c"]);
}

/// Two sittings in one file: the device was unplugged for a moment and began
/// again with its preamble; comment marks differ from ours.
#[test]
fn a_preamble_that_comes_again() {
    let preamble = "; device 7, firmware 2.1\n; channels: 5\nElapsed;Supply voltage;Crankshaft speed;Fan relay;Notes\n";
    let mut text = String::from(preamble);
    text += &every(|s| {
        let again = if s.i == 3000 { preamble } else { "" };
        let note = if s.i == 700 { "fan on; lamps dim" } else { "" };
        format!("{again}{:.3};{:.2};{:.0};{};\"{note}\"\n", s.t, s.v, s.rpm, u8::from(s.fan))
    });
    let log = is_the_complaint(text, 6e-4, "Fan relay", &[]);
    assert_eq!(log.notes.len(), 1, "{:?}", log.notes);
}

/// One sample a second, day before month, date and time apart, °F, thousands
/// marks in the speed.
#[test]
fn one_sample_a_second() {
    let mut text = String::from(
        "Date,Time,\"Batt. volts\",\"Engine speed, rpm\",\"Coolant, °F\",\"Fan, on/off\",\"AC, on/off\"\r\n",
    );
    let slow: Vec<Sample> = samples().iter().filter(|s| s.i % 10 == 0).copied().collect();
    for s in &slow {
        let speed = match s.rpm as i64 {
            rpm if rpm >= 1000 => format!("\"{},{:03}\"", rpm / 1000, rpm % 1000),
            rpm => rpm.to_string(),
        };
        let _ = write!(
            text,
            "17/05/2031,{},{:.2},{speed},{:.0},{},{}\r\n",
            s.of_day().0,
            s.v,
            s.fahrenheit(),
            u8::from(s.fan),
            u8::from(s.ac)
        );
    }
    let log = read(text);
    close("volts", log.bus_v(), slow.iter().map(|s| s.v), 0.0051);
    close("time", log.time_s(), slow.iter().map(|s| s.t), 1.0);
    close("rpm", log.engine_rpm().expect("a speed"), slow.iter().map(|s| s.rpm), 0.51);
    assert_eq!(log.load_names(), ["Fan, on/off", "AC, on/off"]);
    let coolant = log.channel(Role::Temperature(Place::Coolant)).expect("a coolant temperature");
    close("coolant", coolant, slow.iter().map(|s| s.coolant_c), 0.3);
    judged_right(&log);
}

/// A Russian shop's export: its own code page, tabs, decimal commas, words.
#[test]
fn cyrillic_in_its_code_page() {
    let mut text = String::from(
        "Время, с\tНапряжение АКБ, В\tОбороты двигателя, об/мин\tТемпература ОЖ, °C\tВентилятор\tКондиционер\r\n",
    );
    text += &every(|s| {
        let word = |on| if on { "вкл" } else { "выкл" };
        format!(
            "{}\t{}\t{:.0}\t{}\t{}\t{}\r\n",
            comma(format!("{:.3}", s.t)),
            comma(format!("{:.2}", s.v)),
            s.rpm,
            comma(format!("{:.1}", s.coolant_c)),
            word(s.fan),
            word(s.ac)
        )
    });
    let bytes = encoding_rs::WINDOWS_1251.encode(&text).0.into_owned();
    let log = is_the_complaint(bytes, 6e-4, "Вентилятор", &["Кондиционер"]);
    assert!(log.channel(Role::Temperature(Place::Coolant)).is_some(), "{:#?}", log.columns);
}
