//! What the numbers rest on: the logs, how they were read, what was stated, and how
//! anybody may check it all.

use maud::{Markup, html as markup};

use crate::car::{ALWAYS_ON, Acceptance, AskedHeat, Car};
use crate::comparison::{Comparison, InputFile, Settings, Side};
use crate::diagnosis::Severity;
use crate::log::Source;
use crate::nominal::Nominal;
use crate::report::Kind;
use crate::report::format::{self, MILLIVOLT, VOLT, number, plain};
use crate::report::html::frame::table;
use crate::report::proof::narrative;
use crate::units::Units;

/// A row that is left out where no log called for any.
const CHOICES: &str = "Choices made while reading";
/// Of each log; all of them are on the screen.
const PRINTED_CHOICES: usize = 2;

pub fn account(comparison: &Comparison) -> Markup {
    let sides: Vec<&Side> =
        [&comparison.before].into_iter().chain(comparison.afters.iter().map(|a| &a.side)).collect();
    let names: Vec<String> = sides.iter().map(|side| format::capital(&plain(&side.name))).collect();
    let mut heads = vec!["What"];
    heads.extend(names.iter().map(String::as_str));
    type Row<'r> = (&'r str, &'r dyn Fn(&Side) -> Markup);
    let rows: [Row; 11] = [
        ("File", &|side| said(&side.source.file)),
        ("SHA-256", &|side| markup! { span.hash { (plain(&side.source.sha256)) } }),
        ("Verdict of this log alone", &|side| said(side.verdict.word.words())),
        ("Findings", &found),
        ("Recorded", &|side| recorded(&side.source)),
        ("Rows", &|side| rows_read(&side.source)),
        ("Voltage", &voltage),
        ("Setpoint", &|side| markup! { (VOLT.graded(side.setpoint_v.as_ref())) }),
        ("Rest voltage", &|side| markup! { (VOLT.graded(side.rest_voltage_v.as_ref())) }),
        ("Entered", &|side| said(&stated(&side.settings, side.source.nominal_v, comparison.units))),
        (CHOICES, &|side| notices(&side.source)),
    ];
    let chosen = sides.iter().any(|side| !side.source.notices.is_empty());
    let rows =
        rows.into_iter().filter(|(name, _)| chosen || *name != CHOICES).map(|(name, cell)| {
            let mut row = vec![markup! { (name) }];
            row.extend(sides.iter().map(|side| cell(side)));
            row
        });
    markup! {
        section.account aria-labelledby="h-data" {
            h2 #h-data { "The logs, and how to check this page" }
            (table("The logs and how they were read", &heads, rows.collect()))
            p { (format::capital(narrative::criteria_name(comparison))) ": " (acceptance(&comparison.acceptance)) "."
                @if !comparison.same.is_empty() {
                    " Entered as the same load: "
                    (comparison.same.iter().map(|pair| format!("{} = {}", plain(&pair.before), plain(&pair.after)))
                        .collect::<Vec<_>>().join("; ")) "."
                } }
            p { "To check this page: " code { "stiffbus verify FOLDER" } ", with the folder of this page. It finds "
                "the logs by their SHA-256, computes everything again and reports whether every number here "
                "is reproduced. Seal of everything in " (Kind::Proof.marker()) ", SHA-256: "
                span.hash { (plain(&comparison.seal_sha256)) } "." }
        }
    }
}

fn said(text: &str) -> Markup {
    markup! { (plain(text)) }
}

fn found(side: &Side) -> Markup {
    let found: Vec<String> = side
        .findings
        .iter()
        .filter(|finding| finding.severity > Severity::Note)
        .map(|finding| {
            format!("{} ({})", plain(&finding.id).replace('-', " "), finding.severity.word())
        })
        .collect();
    if found.is_empty() { said("none") } else { said(&found.join(", ")) }
}

fn recorded(source: &Source) -> Markup {
    let started = source.started_at.map(|t| t.format("%Y-%m-%d %H:%M:%S").to_string());
    let started = started.unwrap_or_else(|| "start not in this log".to_owned());
    markup! { (started) ", " (format::duration(source.duration_s)) " long" }
}

fn rows_read(source: &Source) -> Markup {
    let skipped: usize = source.rows_skipped.iter().map(|s| s.count).sum();
    markup! {
        (format::count(source.rows_read)) " read, " (format::count(skipped)) " skipped, "
        (format::plural(source.bad_cells, "bad cell", "bad cells"))
        ", one every " (number(source.sample_interval_s, 4)) " s, " (gaps(source))
        @for reason in &source.rows_skipped {
            "; " (format::count(reason.count)) ": " (plain(&reason.reason)) ", first at line " (reason.first_line)
        }
    }
}

fn voltage(side: &Side) -> Markup {
    let resolution = match side.source.resolution_v {
        Some(step) => format!("resolution {} V", number(step, 4)),
        None => "resolution finer than the noise shows".to_owned(),
    };
    let noise = side.noise_v.as_ref();
    let noise = noise.map_or_else(|| format::NOT_TOLD.to_owned(), |e| MILLIVOLT.with_range(e));
    markup! { (resolution) ", noise " (noise) }
}

fn gaps(source: &Source) -> String {
    let longest = source.gaps.iter().map(|gap| gap.seconds()).fold(0.0, f64::max);
    match source.gaps.len() {
        0 => "no gap".to_owned(),
        1 => format!("1 gap of {}", format::duration(longest)),
        n => format!("{} gaps, the longest {}", format::count(n), format::duration(longest)),
    }
}

fn notices(source: &Source) -> Markup {
    let more = source.notices.len().saturating_sub(PRINTED_CHOICES);
    markup! {
        @if source.notices.is_empty() { "none" }
        @for (k, notice) in source.notices.iter().enumerate() {
            p class=(if k < PRINTED_CHOICES { "" } else { "off-paper" }) { (plain(notice)) }
        }
        @if more > 0 { p.on-paper { "and " (more) " more in " (Kind::Proof.marker()) } }
    }
}

/// What flags and `car.toml` said; "nothing" where all was found in the log.
fn stated(settings: &Settings, nominal: Nominal, units: Units) -> String {
    let stated = [of_the_reading(settings), of_the_car(&settings.car, nominal, units)].concat();
    if stated.is_empty() { "nothing".to_owned() } else { stated.join("; ") }
}

fn of_the_reading(settings: &Settings) -> Vec<String> {
    let mut stated: Vec<String> = settings.columns.iter().map(|c| format!("column {c}")).collect();
    if let Some(hz) = settings.sample_rate_hz {
        stated.push(format!("{} samples a second", number(hz, 3)));
    }
    stated.extend(settings.nominal_v.map(|nominal| format!("a {nominal} system")));
    let file = |what: &str, input: &InputFile| {
        let sha256 = input.sha256.get(..12).unwrap_or(&input.sha256);
        format!("{what} {} (SHA-256 {sha256}…)", input.path)
    };
    stated.extend(settings.marks.as_ref().map(|marks| file("marks", marks)));
    stated.extend(settings.curve.as_ref().map(|curve| file("output sheet", curve)));
    stated
}

/// Exact as stated.
fn of_the_car(car: &Car, nominal: Nominal, units: Units) -> Vec<String> {
    let Car { battery, alternator, cable, ground, loads_a, starter_a, setpoint_v, .. } = car;
    let plainly = |value: f64| {
        let text = number(value, 3);
        if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        } else {
            text
        }
    };
    let fact = |name: &str, value: Option<f64>, unit: &str| {
        value.map(|value| format!("{name} {}{unit}", plainly(value)))
    };
    let mut stated: Vec<String> = Vec::new();
    stated.extend(fact("cold-cranking", battery.cca_a, " A"));
    stated.extend(fact("battery", battery.capacity_ah, " Ah"));
    stated.extend(fact("alternator rated", alternator.rated_a, " A"));
    stated.extend(fact("pulleys", alternator.pulley_ratio, " to 1"));
    stated.extend(fact("sheet at", alternator.curve_v, " V"));
    let curve_temperature = alternator.curve_c.map(|curve_c| units.temperature(curve_c));
    stated.extend(fact("sheet at", curve_temperature, &format!(" {}", units.degree().name)));
    stated.extend(fact("starter", *starter_a, " A"));
    stated.extend(fact("setpoint", *setpoint_v, " V"));
    for (name, load) in loads_a {
        let name = if name == ALWAYS_ON { "what is always on" } else { name };
        stated.extend(fact(
            name,
            Some(load.amps_a),
            &format!(" A at {} V", plainly(load.at_v(nominal))),
        ));
    }
    stated.extend(alternator.kind.map(|kind| kind.words().to_owned()));
    let kind = battery.kind.map(|kind| format!("{kind:?} battery").to_lowercase());
    stated.extend(kind);
    stated.extend(cable.as_ref().map(|run| format!("cable {}", units.cable(run))));
    stated.extend(ground.as_ref().map(|run| format!("ground {}", units.cable(run))));
    stated
}

fn acceptance(acceptance: &Acceptance) -> String {
    let loads = if acceptance.loads.is_empty() {
        "every load that the earlier log used".to_owned()
    } else {
        format::loads(&acceptance.loads)
    };
    let heat = match acceptance.heat {
        AskedHeat::Any => "at any heat".to_owned(),
        heat => format!("at least {}", heat.word()),
    };
    format!(
        "{loads}, on together at idle, {heat}, for {} without a break, no more than {} under the \
         setpoint; no battery discharge; a setpoint from {} to {}",
        format::duration(acceptance.hold_s),
        VOLT.of(acceptance.within_v),
        VOLT.bare(acceptance.least_setpoint_v),
        VOLT.of(acceptance.most_setpoint_v)
    )
}
