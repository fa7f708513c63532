//! Invented diagnoses, made in code: no file and no other stage is needed to
//! test what a reader is shown.

use stiffbus::diagnosis::*;
use stiffbus::estimate::{Estimate, Grade};
use stiffbus::log::{BadCell, Column, Note, Skipped, Source, Span};

/// Numbers that look like noise and are the same every time (a 32-bit
/// multiplicative generator; its quality does not matter here).
pub struct Wobble(u32);

impl Wobble {
    pub fn new(seed: u32) -> Self {
        Wobble(seed | 1)
    }

    /// In −1 to 1.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / f64::from(1u32 << 23) - 1.0
    }
}

/// A value rounded as a logger would store it.
fn tidy(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

pub fn measured(value: f64, half_width: f64) -> Estimate {
    Estimate::new(
        tidy(value),
        tidy(value - half_width),
        tidy(value + half_width),
        Grade::Measured,
        "mean of steady samples",
    )
}

pub fn graded(value: f64, low: f64, high: f64, grade: Grade, how: &str) -> Estimate {
    Estimate::new(value, low, high, grade, how)
}

/// Almost everything `None`: what the least log leaves.
pub fn minimal() -> Diagnosis {
    Diagnosis {
        schema: SCHEMA.into(),
        version: "0.1.0".into(),
        source: Source {
            file: "short.csv".into(),
            sha256: "00".repeat(32),
            encoding: "UTF-8".into(),
            separator: "comma".into(),
            decimal: '.',
            header_line: None,
            clock: "sample rate given".into(),
            started_at: None,
            rows_read: 12,
            rows_skipped: vec![],
            bad_cells: 0,
            bad_cells_first: vec![],
            duration_s: 1.1,
            sample_interval_s: 0.1,
            jitter_s: 0.0,
            resolution_v: None,
            gaps: vec![],
            notices: vec![],
        },
        columns: vec![Column {
            name: "V".into(),
            role: "voltage".into(),
            tap: Some("battery".into()),
            unit: None,
            why: "the only column of numbers near 12".into(),
        }],
        notes: vec![],
        noise: Noise { sigma_v: 0.01, correlation_time_s: 0.1 },
        phases: vec![],
        setpoint_v: None,
        setpoint_drift: None,
        rest_voltage_v: None,
        state_of_charge_percent: None,
        cranking: None,
        load_steps: vec![],
        operating_points: vec![],
        keep_up: vec![],
        heat: vec![],
        line_drop: vec![],
        battery: Battery {
            resistance_ohm: graded(0.009, 0.004, 0.02, Grade::Assumed, "a car battery at large"),
            zero_current_v: None,
            routes: vec![],
            disagreement: None,
        },
        verdict: Verdict {
            word: VerdictWord::CannotTell,
            headline: "The log is too short to tell anything about the charging system.".into(),
            cannot_tell: vec!["Whether the alternator keeps up: no engine run was seen.".into()],
        },
        findings: vec![],
        cautions: vec![],
        picture: Picture::default(),
    }
}

/// Two loads, a fan and an AC, and what else is on, over a run of six declared steps.
pub fn overload() -> Diagnosis {
    let steps = [
        (60.0, "fans", true, 14.21, 13.22, 13.62),
        (104.2, "AC clutch and blower", true, 13.62, 12.61, 12.94),
        (150.6, "lamps", true, 12.94, 12.52, 12.63),
        (212.0, "lamps", false, 12.60, 12.58, 12.86),
        (260.4, "AC clutch and blower", false, 12.85, 12.83, 13.55),
        (322.4, "fans", false, 13.52, 13.50, 14.12),
    ];
    let truth = |t: f64| -> f64 {
        if t < 12.0 {
            return 12.52;
        }
        if t < 13.4 {
            return 12.52 - 4.6 * (-(t - 12.0) * 1.2).exp();
        }
        if t < 20.0 {
            return 14.2 - 1.4 * (-(t - 13.4) / 1.5).exp();
        }
        let Some(&(at, _, on, _, trough, settled)) = steps.iter().rev().find(|s| s.0 <= t) else {
            return 14.21;
        };
        let tau = if on { 3.0 } else { 0.6 };
        settled - (settled - trough) * (-(t - at) / tau).exp() - 0.0003 * (t - at)
    };
    let lane = |name: &str, from: f64, to: f64, duty: f64| Lane {
        load: name.into(),
        runs: vec![LaneRun { start_s: from, end_s: to, duty }],
    };
    let mut d = minimal();
    d.source = Source {
        file: "blue-coupe-hot-idle.csv".into(),
        sha256: "3f9a".repeat(16),
        encoding: "UTF-8".into(),
        separator: "comma".into(),
        decimal: '.',
        header_line: Some(3),
        clock: "seconds".into(),
        started_at: chrono::NaiveDate::from_ymd_opt(2024, 7, 14)
            .and_then(|d| d.and_hms_opt(15, 4, 5)),
        rows_read: 8123,
        rows_skipped: vec![
            Skipped { reason: "blank".into(), count: 4, first_line: 2210 },
            Skipped { reason: "repeated header".into(), count: 1, first_line: 4001 },
        ],
        bad_cells: 3,
        bad_cells_first: vec![BadCell { line: 771, column: "VBAT".into(), found: "n/a?".into() }],
        duration_s: 406.1,
        sample_interval_s: 0.05,
        jitter_s: 0.002,
        resolution_v: Some(0.02),
        gaps: vec![Span { start_s: 182.2, end_s: 186.9 }],
        notices: vec![
            "Two columns hold a battery-like voltage; VBAT was taken as the bus because it dips \
             with the starter. --column voltage=NAME overrules."
                .into(),
        ],
    };
    d.columns = vec![
        column("Time", "time", None, Some("s"), "named time, rises steadily"),
        column("VBAT", "voltage", Some("battery"), Some("V"), "named for the battery, 12 to 14.3"),
        column("ECU volts", "voltage", Some("module"), Some("V"), "named for the engine control"),
        column("RPM", "engine_rpm", None, Some("rpm"), "named rpm"),
        column("Fan", "load", None, None, "two values, moves the voltage"),
        column("Spare", "ignored", None, None, "never changes"),
    ];
    d.notes = vec![Note { at_s: 104.0, text: "AC on, windows up".into() }];
    d.noise = Noise { sigma_v: 0.021, correlation_time_s: 0.4 };
    d.phases = vec![
        Phase { kind: PhaseKind::Rest, start_s: 0.0, end_s: 12.0 },
        Phase { kind: PhaseKind::Cranking, start_s: 12.0, end_s: 13.4 },
        Phase { kind: PhaseKind::Running, start_s: 13.4, end_s: 406.1 },
    ];
    d.setpoint_v = Some(measured(14.21, 0.02));
    d.setpoint_drift = Some(SetpointDrift {
        per_minute_v: Some(measured(-0.012, 0.004)),
        per_degree_v: None,
        against: None,
    });
    d.rest_voltage_v = Some(measured(12.52, 0.01));
    d.state_of_charge_percent =
        Some(graded(82.0, 70.0, 92.0, Grade::Assumed, "rest voltage, common practice"));
    d.cranking = Some(Cranking {
        lowest_v: 7.92,
        at_s: 12.1,
        duration_s: 1.4,
        return_to_setpoint_s: Some(4.2),
    });
    d.load_steps = steps
        .iter()
        .enumerate()
        .map(|(i, &(at, load, on, baseline, trough, settled))| LoadStep {
            number: i + 1,
            at_s: at,
            until_s: steps.get(i + 1).map_or(406.1, |next| next.0),
            load: Some(load.into()),
            direction: if on { Direction::On } else { Direction::Off },
            duty_change: Some(if on { 1.0 } else { -1.0 }),
            origin: Origin::Declared,
            lag_s: Some(0.15),
            answered: true,
            baseline_v: measured(baseline, 0.02),
            trough_v: trough,
            trough_at_s: at + 0.4,
            trough: measured(trough, 0.05),
            sag_v: measured(baseline - trough, 0.06),
            settled_v: measured(settled, 0.03),
            shift_v: measured(baseline - settled, 0.04),
            recovery_s: on.then_some(6.2),
            recovery: on.then(|| measured(6.2, 1.1)),
            recovered_share: on.then_some(0.41),
            rpm_before: Some(842.0),
            rpm_after: Some(828.0),
            loads_after: if on { vec!["pumps".into(), load.into()] } else { vec!["pumps".into()] },
        })
        .collect();
    d.operating_points = vec![
        point(&["pumps"], 820.0, 46.6, 14.21, BusState::Holding, None, None),
        point(&["pumps", "fans"], 815.0, 44.2, 13.62, BusState::Slipping, None, Some(14.0)),
        point(
            &["pumps", "fans", "AC clutch and blower"],
            805.0,
            46.4,
            12.94,
            BusState::Draining,
            Some(6.0),
            Some(31.0),
        ),
        point(
            &["pumps", "fans", "AC clutch and blower", "lamps"],
            800.0,
            61.4,
            12.63,
            BusState::Draining,
            Some(14.0),
            Some(41.0),
        ),
    ];
    d.keep_up = vec![
        KeepUp {
            loads: vec!["pumps".into()],
            rpm: None,
            bound: Bound::BelowSeen,
            seen_low_rpm: 790.0,
            seen_high_rpm: 2400.0,
        },
        KeepUp {
            loads: vec!["pumps".into(), "fans".into()],
            rpm: Some(measured(1180.0, 60.0)),
            bound: Bound::Within,
            seen_low_rpm: 800.0,
            seen_high_rpm: 2400.0,
        },
        KeepUp {
            loads: vec!["pumps".into(), "fans".into(), "AC clutch and blower".into()],
            rpm: Some(measured(1740.0, 110.0)),
            bound: Bound::Within,
            seen_low_rpm: 800.0,
            seen_high_rpm: 2400.0,
        },
    ];
    d.heat = vec![HeatPair {
        loads: vec!["pumps".into(), "fans".into()],
        rpm_low: Some(815.0),
        rpm_high: Some(865.0),
        early: Span { start_s: 60.0, end_s: 104.0 },
        late: Span { start_s: 260.0, end_s: 322.0 },
        early_v: measured(13.62, 0.02),
        late_v: measured(13.55, 0.02),
        change_v: measured(-0.07, 0.03),
        per_minute_v: Some(measured(-0.02, 0.01)),
        per_degree_v: None,
    }];
    d.line_drop = vec![LineDrop {
        from: "battery".into(),
        to: "module".into(),
        loads: vec!["pumps".into(), "fans".into()],
        rpm_low: Some(815.0),
        rpm_high: Some(865.0),
        drop_v: measured(0.18, 0.03),
        resistance_ohm: None,
    }];
    d.battery = Battery {
        resistance_ohm: graded(0.0071, 0.0049, 0.0103, Grade::Assumed, "540 A cold-cranking amps"),
        zero_current_v: Some(graded(13.0, 12.78, 13.22, Grade::Inferred, "rest and surface charge")),
        routes: vec![graded(0.0092, 0.004, 0.02, Grade::Assumed, "a car battery at large")],
        disagreement: None,
    };
    d.verdict = Verdict {
        word: VerdictWord::FallsShortAtIdle,
        headline: "At hot idle with fans, AC and lamps on the battery gives 14 A (9 to 20 A): the \
                   alternator does not keep up until about 1,740 rpm."
            .into(),
        cannot_tell: vec![
            "Ripple: 20 samples a second cannot show it; a scope at the alternator post would."
                .into(),
            "How the alternator holds up at speed under all loads: this log never goes over \
             2,400 rpm with them on."
                .into(),
        ],
    };
    d.findings = vec![
        finding(
            "wiring-to-module",
            Severity::Caution,
            "The engine control sees 0.18 V (0.15 to 0.21 V) less than the battery post.",
        ),
        finding(
            "short-at-idle",
            Severity::Fault,
            "With fans and AC on at idle the alternator falls short and the battery drains.",
        ),
        finding("rest-low", Severity::Note, "The battery starts the day at about 82 % charge."),
        finding("log-gap", Severity::Note, "The log has a gap of 4.7 s."),
    ];
    d.cautions = vec![
        "Keep hands, hair and leads clear of belts and fans while the engine runs.".into(),
        "Never disconnect the battery while the engine runs.".into(),
    ];

    let mut wobble = Wobble::new(7);
    let mut rpm_wobble = Wobble::new(11);
    let gap = |t: f64| (182.2..186.9).contains(&t);
    let sampled = |from: f64, to: f64, n: usize, wobble: &mut Wobble, spread: f64, offset: f64| {
        let mut envelope = Envelope::default();
        for i in 0..n {
            let t = tidy(from + (to - from) * i as f64 / n as f64);
            let v = truth(t) + offset + 0.012 * wobble.next();
            envelope.time_s.push(t);
            let seen = !gap(t);
            envelope.low.push(seen.then(|| tidy(v - spread)));
            envelope.high.push(seen.then(|| tidy(v + spread)));
        }
        envelope
    };
    d.picture.voltage = sampled(0.0, 406.1, 1600, &mut wobble, 0.025, 0.0);
    d.picture.other_voltages = vec![NamedEnvelope {
        name: "module".into(),
        envelope: sampled(0.0, 406.1, 800, &mut wobble, 0.02, -0.18),
    }];
    let speed_at = |t: f64| match t {
        t if t < 12.0 => 0.0,
        t if t < 13.4 => 210.0,
        t if (230.0..250.0).contains(&t) => 2200.0,
        _ => 835.0,
    };
    let mut rpm = Envelope::default();
    for i in 0..1600 {
        let t = tidy(406.1 * f64::from(i) / 1600.0);
        let v = speed_at(t) + if t > 13.4 { 14.0 * rpm_wobble.next() } else { 0.0 };
        rpm.time_s.push(t);
        rpm.low.push((!gap(t)).then(|| v.round()));
        rpm.high.push((!gap(t)).then(|| v.round() + 6.0));
    }
    d.picture.engine_rpm = Some(rpm);
    d.picture.loads = vec![
        lane("fans", 60.0, 322.4, 1.0),
        lane("AC clutch and blower", 104.2, 260.4, 1.0),
        lane("lamps", 150.6, 212.0, 1.0),
        Lane {
            load: "pumps".into(),
            runs: vec![
                LaneRun { start_s: 13.0, end_s: 230.0, duty: 0.6 },
                LaneRun { start_s: 230.0, end_s: 406.1, duty: 1.0 },
            ],
        },
    ];
    d.picture.steps = d
        .load_steps
        .iter()
        .map(|s| sampled(s.at_s - 8.0, (s.at_s + 25.0).min(s.until_s), 500, &mut wobble, 0.0, 0.0))
        .collect();
    let sets: [(&[&str], f64); 3] = [
        (&["pumps"], 700.0),
        (&["pumps", "fans"], 1180.0),
        (&["pumps", "fans", "AC clutch and blower"], 1740.0),
    ];
    d.picture.speed = sets
        .iter()
        .map(|&(loads, knee)| {
            let rpm: Vec<f64> = (0..400).map(|i| 800.0 + 4.0 * f64::from(i)).collect();
            let voltage_v = rpm
                .iter()
                .map(|&r| tidy(14.21 - 0.0012 * (knee - r).max(0.0) + 0.02 * wobble.next()))
                .collect();
            SpeedCloud { loads: loads.iter().map(|&l| l.into()).collect(), rpm, voltage_v }
        })
        .collect();
    d
}

/// The same car after the cure, colder and with nothing to say.
pub fn healthy() -> Diagnosis {
    let mut d = overload();
    d.source.file = "healthy.csv".into();
    d.source.sha256 = "a1b2".repeat(16);
    d.source.rows_skipped.clear();
    d.source.bad_cells = 0;
    d.source.bad_cells_first.clear();
    d.source.notices.clear();
    d.verdict = Verdict {
        word: VerdictWord::KeepsUp,
        headline: "With every load on at idle the bus holds 14.20 V (14.18 to 14.22 V).".into(),
        cannot_tell: vec![],
    };
    d.findings.clear();
    for point in &mut d.operating_points {
        point.state = BusState::Holding;
        point.voltage_v = measured(14.2, 0.02);
        point.implied_deficit_a = Some(graded(0.0, 0.0, 1.0, Grade::Inferred, "holding"));
        point.regulation_shortfall_a = None;
    }
    let flat = |values: &mut Vec<Option<f64>>| {
        for value in values.iter_mut().skip(60).flatten() {
            *value = tidy(14.2 + (*value - 13.4) * 0.03);
        }
    };
    flat(&mut d.picture.voltage.low);
    flat(&mut d.picture.voltage.high);
    d
}

/// A long log without load columns and without engine speed: forty steps that only the voltage shows.
pub fn detected() -> Diagnosis {
    let mut d = overload();
    d.source.file = "no-load-columns.csv".into();
    d.source.sha256 = "77cc".repeat(16);
    d.source.duration_s = 4000.0;
    d.verdict.word = VerdictWord::FallsShort;
    d.keep_up.clear();
    d.cranking = None;
    d.phases = vec![Phase { kind: PhaseKind::Running, start_s: 0.0, end_s: 4000.0 }];
    let template = d.load_steps.first().cloned().expect("the overload has steps");
    d.load_steps = (0..40)
        .map(|i| {
            let at = 30.0 + 98.0 * f64::from(i) + if i % 7 == 3 { -90.0 } else { 0.0 };
            LoadStep {
                number: i as usize + 1,
                at_s: at,
                until_s: at + 8.0,
                load: None,
                direction: if i % 2 == 0 { Direction::On } else { Direction::Off },
                duty_change: None,
                origin: Origin::Detected,
                lag_s: None,
                trough_at_s: at + 0.6,
                rpm_before: None,
                rpm_after: None,
                loads_after: vec![format!("step {}", i + 1)],
                ..template.clone()
            }
        })
        .collect();
    for point in &mut d.operating_points {
        point.loads = vec!["step 3".into()];
        point.rpm = None;
        point.rpm_low = None;
        point.rpm_high = None;
        point.heat = Heat::Unknown;
    }
    let mut wobble = Wobble::new(5);
    let mut envelope = Envelope::default();
    for i in 0..2000 {
        let t = 2.0 * f64::from(i);
        let v = if ((t - 30.0) / 98.0).floor() as i64 % 2 == 0 { 13.3 } else { 14.1 };
        envelope.time_s.push(t);
        envelope.low.push(Some(tidy(v - 0.04 + 0.01 * wobble.next())));
        envelope.high.push(Some(tidy(v + 0.04 + 0.01 * wobble.next())));
    }
    d.picture = Picture { voltage: envelope, ..Picture::default() };
    d
}

/// A log whose names were written to do harm.
pub fn hostile() -> Diagnosis {
    let names = [
        "<script>alert(1)</script>",
        "=cmd|' /C calc'!A1",
        "\u{1b}[31mred\u{7}\u{0}\u{202e}txet",
        "a&b \"quoted\" 'single' ]]> <!-- x -->",
        &"very long name ".repeat(14),
        "+1+1",
        "@SUM(A1)",
        "-2+3",
        "\tTab",
        "\rCR",
        "风扇继电器一号",
        "plain",
    ];
    let mut d = overload();
    d.source.file = "<img src=x onerror=alert(1)>\u{1b}]0;owned\u{7}.csv".into();
    d.source.sha256 = "beef".repeat(16);
    d.source.notices = vec![names[2].into(), names[0].into()];
    d.verdict.headline = format!("{} and {}", names[0], names[2]);
    d.cautions = vec![names[0].into()];
    let mut named = names.iter().cycle();
    let mut next = || (*named.next().unwrap_or(&"")).to_owned();
    for step in &mut d.load_steps {
        step.load = Some(next());
        step.loads_after = vec![next(), next()];
    }
    for point in &mut d.operating_points {
        point.loads = vec![next(), next()];
        point.state_how = next();
    }
    for finding in &mut d.findings {
        finding.statement = next();
        finding.alternatives = vec![next()];
        finding.next_test = next();
        finding.evidence = vec![Evidence { start_s: 1.0, end_s: 2.0, text: next() }];
    }
    for column in &mut d.columns {
        column.name = next();
        column.why = next();
        column.unit = Some(next());
    }
    for cloud in &mut d.picture.speed {
        cloud.loads = vec![next(), next()];
    }
    for item in &mut d.keep_up {
        item.loads = vec![next()];
    }
    d.verdict.cannot_tell = names.iter().map(|&n| n.to_owned()).collect();
    d.picture.loads = names
        .iter()
        .enumerate()
        .map(|(i, &name)| Lane {
            load: name.into(),
            runs: vec![LaneRun { start_s: 20.0 * i as f64, end_s: 300.0, duty: 0.08 * i as f64 }],
        })
        .collect();
    d.picture.other_voltages.iter_mut().for_each(|tap| tap.name = names[4].into());
    d
}

/// As much picture as a diagnosis could carry.
pub fn vast() -> Diagnosis {
    let mut d = overload();
    let mut wobble = Wobble::new(3);
    let mut envelope = Envelope::default();
    for i in 0..60_000 {
        let v = 13.5 + wobble.next();
        envelope.time_s.push(406.1 * f64::from(i) / 60_000.0);
        envelope.low.push((i % 997 != 0).then_some(v - 0.4));
        envelope.high.push((i % 997 != 0).then_some(v + 0.4));
    }
    d.picture.engine_rpm = Some(envelope.clone());
    d.picture.other_voltages = (0..3)
        .map(|i| NamedEnvelope { name: format!("tap {i}"), envelope: envelope.clone() })
        .collect();
    d.picture.steps = vec![envelope.clone(); 6];
    d.picture.voltage = envelope;
    d.picture.loads = (0..40)
        .map(|i| Lane {
            load: format!("pulsed load {i}"),
            runs: (0..20_000)
                .map(|k| LaneRun {
                    start_s: 0.02 * f64::from(k),
                    end_s: 0.02 * f64::from(k) + 0.01,
                    duty: 0.5 + 0.5 * wobble.next(),
                })
                .collect(),
        })
        .collect();
    d.picture.speed = (0..12)
        .map(|i| SpeedCloud {
            loads: vec![format!("load {i}")],
            rpm: (0..20_000).map(|k| 700.0 + 0.1 * f64::from(k)).collect(),
            voltage_v: (0..20_000).map(|_| 13.0 + wobble.next()).collect(),
        })
        .collect();
    d
}

pub fn all() -> Vec<(&'static str, Diagnosis)> {
    vec![
        ("overload", overload()),
        ("healthy", healthy()),
        ("detected", detected()),
        ("minimal", minimal()),
        ("hostile", hostile()),
        ("vast", vast()),
    ]
}

fn column(name: &str, role: &str, tap: Option<&str>, unit: Option<&str>, why: &str) -> Column {
    Column {
        name: name.into(),
        role: role.into(),
        tap: tap.map(Into::into),
        unit: unit.map(Into::into),
        why: why.into(),
    }
}

fn point(
    loads: &[&str],
    rpm_low: f64,
    seconds: f64,
    volts: f64,
    state: BusState,
    deficit: Option<f64>,
    shortfall: Option<f64>,
) -> OperatingPoint {
    let amps = |value: f64, how: &str| graded(value, value - 5.0, value + 6.0, Grade::Inferred, how);
    OperatingPoint {
        loads: loads.iter().map(|&l| l.into()).collect(),
        rpm_low: Some(rpm_low),
        rpm_high: Some(rpm_low + 50.0),
        rpm: Some(rpm_low + 22.0),
        heat: Heat::Hot,
        seconds,
        spans: vec![Span { start_s: 60.0, end_s: 60.0 + seconds }],
        voltage_v: measured(volts, 0.02),
        state,
        state_confidence: 0.97,
        state_how: "voltage against zero-current voltage".into(),
        implied_deficit_a: deficit.map(|a| amps(a, "drop below zero-current voltage over resistance")),
        regulation_shortfall_a: shortfall.map(|a| amps(a, "deficit and charge current at setpoint")),
    }
}

fn finding(id: &str, severity: Severity, statement: &str) -> Finding {
    Finding {
        id: id.into(),
        severity,
        statement: statement.into(),
        evidence: vec![Evidence {
            start_s: 104.2,
            end_s: 150.6,
            text: "12.94 V (12.92 to 12.96 V) with fans and AC on at 828 rpm".into(),
        }],
        alternatives: vec!["A slipping belt looks the same at idle; it squeals on a load step.".into()],
        next_test: "Clamp the alternator cable at idle, all loads on: under 45 A hot says the machine \
                    is too small; 45 A or more says the loads are more than listed. Then repeat at \
                    2,000 rpm."
            .into(),
    }
}
