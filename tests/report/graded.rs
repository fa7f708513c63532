//! No number without unit, interval and grade: in the JSON, on the screen, on the
//! page, for every sample log as the tool reads it now.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use anstream::adapter::strip_str;
use serde_json::Value;
use stiffbus::car::Car;
use stiffbus::comparison::Comparison;
use stiffbus::diagnosis::{Diagnosis, NextTest};
use stiffbus::estimate::{Estimate, Grade};
use stiffbus::format::{self, Unit};
use stiffbus::json;
use stiffbus::report::{self, Product};

use crate::fixture::{self, proofs};

/// Every readable sample log by name, and the fullest of the invented diagnoses,
/// which has what needs flags: a sheet, a cable, amps that are known.
fn all() -> &'static [(String, Diagnosis)] {
    static ALL: OnceLock<Vec<(String, Diagnosis)>> = OnceLock::new();
    ALL.get_or_init(|| {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs");
        let mut paths = csv_files(&folder);
        paths.extend(csv_files(&folder.join("dyno-day")));
        // Its sentences are invented too: only what the reports say themselves counts.
        let mut invented = fixture::overload();
        invented.verdict.headline.clear();
        invented.findings.clear();
        invented.verdict.cannot_tell.clear();
        let mut all = vec![("overload".to_owned(), invented)];
        for path in paths {
            // One is broken for good; that it is refused is tested elsewhere.
            let Ok(log) = stiffbus::ingest::read(&path, &Default::default()) else { continue };
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            all.push((name, stiffbus::diagnose(&log, &Car::default()).unwrap()));
        }
        assert!(all.len() >= 19, "{} logs", all.len());
        all
    })
}

fn csv_files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|end| end == "csv"));
    files.sort();
    files
}

// ---------------------------------------------------------------- JSON

/// Ends of a key that tell its unit; the last four are no unit and say so.
const UNITS: [(&str, Unit); 12] = [
    ("v", format::VOLT),
    ("a", format::AMP),
    ("ohm", format::MILLIOHM),
    ("s", format::SECOND),
    ("rpm", format::RPM),
    ("c", format::DEGREE),
    ("ah", format::AMP_HOUR),
    ("h", format::HOUR),
    ("percent", format::PERCENT),
    ("share", format::PERCENT.of_shares()),
    ("ratio", format::RATIO),
    ("factor", format::TIMES),
];

/// Estimates whose unit stands elsewhere than at the end of their own key.
const UNIT_ELSEWHERE: [(&str, &str, Unit); 2] = [
    ("battery.routes[]", "other routes to battery.resistance_ohm, ohms too", format::MILLIOHM),
    ("output.points[].share_of_sheet", "a share", format::PERCENT.of_shares()),
];

/// Numbers that are exact, or that are themselves what is said of another: no
/// interval belongs to them.
const EXACT: [(&str, &[&str]); 11] = [
    (
        "moments and lengths on the log's own clock: which samples are meant",
        &[
            "cranking.at_s",
            "*.start_s",
            "*.end_s",
            "load_steps[].at_s",
            "load_steps[].until_s",
            "load_steps[].trough_at_s",
            "notes[].at_s",
            "operating_points[].seconds",
            "output.points[].seconds",
            "setpoint_track[].at_s",
        ],
    ),
    (
        "the file and its logger, as counted",
        &[
            "source.rows_read",
            "source.rows_skipped[].count",
            "source.rows_skipped[].first_line",
            "source.bad_cells",
            "source.bad_cells_first[].line",
            "source.header_line",
            "source.duration_s",
            "source.sample_interval_s",
            "source.jitter_s",
            "source.resolution_v",
        ],
    ),
    ("a name: steps are numbered", &["load_steps[].number"]),
    ("a name: the class of the system", &["source.nominal_v"]),
    ("edges of the fixed engine-speed bands", &["*.rpm_low", "*.rpm_high"]),
    ("duty as the log declares it", &["load_steps[].duty_change", "picture.loads[].runs[].duty"]),
    (
        "a probability, which says how sure another thing is",
        &[
            "operating_points[].state_confidence",
            "operating_points[].regulated_probability",
            "operating_points[].short_probability",
        ],
    ),
    (
        // Tachometer counts pulses: its error is the logger's step, which no log
        // tells, and nothing is concluded from the last digit. Whatever is
        // estimated from speeds (keep-up, what idle lacks) has its interval.
        "where on the axes of speed and heat other numbers were read: the mean or \
         the ends of a logged channel, which name the place",
        &[
            "load_steps[].rpm_before",
            "load_steps[].rpm_after",
            "operating_points[].rpm",
            "keep_up[].seen_low_rpm",
            "keep_up[].seen_high_rpm",
            "keep_up[].idle_rpm",
            "heat[].rpm",
            "heat[].early_c",
            "heat[].late_c",
            "output.points[].alternator_rpm",
            "output.points[].engine_rpm",
            "output.points[].temperature_c",
        ],
    ),
    (
        "the alternator's sheet as printed",
        &["output.sheet.points[].alternator_rpm", "output.sheet.points[].amps_a"],
    ),
    ("samples as logged, for drawing", &["picture.*"]),
    (
        "what itself says how sure a mean is, for the test of a difference",
        &["operating_points[].scatter.*"],
    ),
];

/// The same for `comparison.json`.
const EXACT_IN_A_PROOF: [(&str, &[&str]); 7] = [
    (
        "the files and their loggers, as counted",
        &[
            "*.source.rows_read",
            "*.source.rows_skipped[].count",
            "*.source.rows_skipped[].first_line",
            "*.source.bad_cells",
            "*.source.bad_cells_first[].line",
            "*.source.header_line",
            "*.source.duration_s",
            "*.source.sample_interval_s",
            "*.source.jitter_s",
            "*.source.resolution_v",
        ],
    ),
    ("what was agreed, and stated of the car", &["acceptance.*", "before.settings.*"]),
    ("a name: the class of the system", &["*.source.nominal_v"]),
    ("a name: steps are numbered", &["*.steps[].before.number", "*.steps[].after.number"]),
    (
        "moments and lengths on a log's own clock",
        &[
            "*.steps[].before.at_s",
            "*.steps[].after.at_s",
            "*.points[].before.seconds",
            "*.points[].after.seconds",
            "*.unmatched[].seconds",
        ],
    ),
    (
        "where on the axis of speed other numbers were read",
        &[
            "*.points[].before.rpm",
            "*.points[].after.rpm",
            "*.steps[].before.rpm",
            "*.steps[].after.rpm",
            "*.keep_up[].before.seen_low_rpm",
            "*.keep_up[].before.seen_high_rpm",
            "*.keep_up[].before.idle_rpm",
            "*.keep_up[].after.seen_low_rpm",
            "*.keep_up[].after.seen_high_rpm",
            "*.keep_up[].after.idle_rpm",
        ],
    ),
    (
        "a probability and what it rests on, which say how sure another thing is",
        &["*.points[].test.p", "*.points[].test.degrees_of_freedom"],
    ),
];

fn is_exact(path: &str) -> bool {
    let fits = |pattern: &str| match (pattern.strip_prefix('*'), pattern.strip_suffix('*')) {
        (Some(end), _) => path.ends_with(end),
        (_, Some(start)) => path.starts_with(start),
        _ => path == pattern,
    };
    let all = EXACT.iter().chain(&EXACT_IN_A_PROOF);
    all.into_iter().any(|(_, patterns)| patterns.iter().any(|p| fits(p)))
}

/// "setpoint_drift.per_minute_v" is in volts; "trough" tells no unit.
fn unit(path: &str) -> Option<Unit> {
    let elsewhere = UNIT_ELSEWHERE.iter().find(|(known, ..)| *known == path);
    let key = path.rsplit('.').next()?.trim_end_matches("[]");
    let end = key.rsplit('_').next()?;
    let by_end = UNITS.iter().find(|(unit, _)| *unit == end).map(|(_, unit)| *unit);
    elsewhere.map(|(.., unit)| *unit).or(by_end)
}

/// A plain number of the contract and the estimate beside it: "trough_v", "trough".
fn companion<'v>(parent: &'v Value, key: &str) -> Option<&'v Value> {
    let (stem, _) = key.rsplit_once('_')?;
    parent.get(stem).filter(|v| is_estimate(v))
}

fn is_estimate(value: &Value) -> bool {
    let keys = ["value", "low", "high", "grade", "how"];
    value.as_object().is_some_and(|o| o.len() == 5 && keys.iter().all(|k| o.contains_key(*k)))
}

fn walk(parent: &Value, key: &str, value: &Value, path: &str, wrong: &mut Vec<String>) {
    match value {
        Value::Number(number) if !is_exact(path) => match companion(parent, key) {
            Some(e) if e["value"].as_f64() == number.as_f64() => {}
            Some(e) => wrong.push(format!("{path} is {number}, and beside it stands {e}")),
            None => wrong.push(format!("{path} is {number} without interval and grade")),
        },
        value if is_estimate(value) => {
            let ends = ["low", "value", "high"].map(|end| value[end].as_f64());
            let ordered = ends.windows(2).all(|pair| match pair {
                [Some(a), Some(b)] => a <= b,
                _ => true,
            });
            if !ordered || value["how"].as_str().is_none_or(str::is_empty) {
                wrong.push(format!("{path}: {value}"));
            }
            let has_unit = unit(path).is_some();
            let beside =
                |plain: &String| plain.strip_prefix(key).is_some_and(|end| unit(end).is_some());
            if !has_unit && !parent.as_object().is_some_and(|o| o.keys().any(beside)) {
                wrong.push(format!("{path} tells no unit"));
            }
        }
        Value::Object(fields) => {
            for (key, field) in fields {
                let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                walk(value, key, field, &path, wrong);
            }
        }
        Value::Array(items) => {
            items.iter().for_each(|item| walk(parent, key, item, &format!("{path}[]"), wrong));
        }
        _ => {}
    }
}

#[test]
fn every_number_in_the_json_is_an_estimate_or_exact() {
    for (name, diagnosis) in all() {
        let json: Value = serde_json::from_str(&json::text(diagnosis)).unwrap();
        let mut wrong = Vec::new();
        walk(&Value::Null, "", &json, "", &mut wrong);
        assert!(wrong.is_empty(), "{name}: {wrong:#?}");
    }
}

#[test]
fn every_number_of_a_proof_is_an_estimate_or_exact() {
    for (name, comparison) in proofs::all() {
        let json: Value = serde_json::from_str(&stiffbus::json::text(comparison)).unwrap();
        let mut wrong = Vec::new();
        walk(&Value::Null, "", &json, "", &mut wrong);
        assert!(wrong.is_empty(), "{name}: {wrong:#?}");
    }
}

#[test]
fn a_bare_number_in_the_json_is_noticed() {
    let seen = |text: &str| {
        let mut wrong = Vec::new();
        let json = serde_json::from_str(text).unwrap();
        walk(&Value::Null, "", &json, "", &mut wrong);
        wrong.len()
    };
    let e = r#"{"value":1.0,"low":0.5,"high":2.0,"grade":"measured","how":"read"}"#;
    assert_eq!(seen(r#"{"battery":{"sag_v":1.0}}"#), 1);
    assert_eq!(seen(&format!(r#"{{"battery":{{"sag_v":1.0,"sag":{e}}}}}"#)), 0);
    assert_eq!(seen(&format!(r#"{{"battery":{{"sag_v":1.1,"sag":{e}}}}}"#)), 1);
    assert_eq!(seen(&format!(r#"{{"battery":{{"sag":{e}}}}}"#)), 1);
    assert_eq!(seen(&format!(r#"{{"battery":{{"sag_v":{e}}}}}"#)), 0);
    assert_eq!(
        seen(
            &e.replace("0.5", "1.5")
                .replace("{\"value", "{\"a_v\":{\"value")
                .replace("\"read\"}", "\"read\"}}")
        ),
        1
    );
}

// ---------------------------------------------------- screen and page

/// As they are written, longest first.
const WRITTEN: [&str; 10] = ["mV/min", "mV/°C", "rpm", "mV", "mΩ", "Ah", "V", "A", "h", "%"];

/// What may stand around a number that no interval belongs to: the text before,
/// the text after (its unit first), and why.
const EXEMPT: &[(&str, &str, &str)] = &[
    ("", "% sure", "a probability, which says how sure another thing is"),
    ("holding ", "%", "the same in the terminal's table, under its head"),
    ("at its limit ", "%", "the same"),
    ("draining ", "%", "the same"),
    ("(", "%)", "the level of the intervals: (90 %)"),
    ("In brackets: ", "% interval", "the same"),
    ("with ", "% interval", "the same"),
    ("is a ", "% interval", "the same"),
    ("", "A cold-cranking", "a rating that was stated"),
    ("resolution ", "V", "the logger's own step"),
    ("", "V system", "the class of the system"),
    (" (", "V drop at ", "a load's name, which tells it from others"),
    ("Nominal voltage ", "V, ", "the same"),
    (": median ", "V while powered", "what it was told by"),
    ("at ", "rpm", "a place on the speed axis"),
    ("from ", "rpm", "a place on the speed axis"),
    ("up to ", "rpm", "a place: the fastest seen"),
    ("to ", "rpm the bus gains", "a place: the faster of two"),
    (" s, ", "rpm", "a place, after the seconds at which it was seen"),
    ("Limit ", "V", "a limit by common practice"),
    (", ", "V is good", "a limit by common practice"),
    ("over ", "V.", "a limit by common practice"),
    ("by more than ", "V and returns", "the least that counts as a drop-out"),
    ("no more than ", "A (", "the upper end of an interval, its grade in brackets"),
    ("output falls 10 to ", "% (common practice)", "common practice, and says so"),
    (" to ", "h", "the rest of a duration"),
    ("", "h ", "a duration on the log's own clock"),
    ("no more than ", "V under the setpoint", "what was agreed"),
    ("between 13.50 and ", "V", "what was agreed"),
    ("from 13.50 to ", "V", "what was agreed"),
    ("faster: ", "rpm before", "a place on the speed axis"),
    ("slower: ", "rpm before", "a place on the speed axis"),
    ("rpm before, ", "rpm after", "a place on the speed axis"),
];

/// Numbers with a unit that have neither interval nor excuse.
fn bare<'t>(text: &'t str, loads: &[String]) -> Vec<&'t str> {
    let mut found = Vec::new();
    let mut from = 0;
    while let Some(digit) = text[from..].find(|c: char| c.is_ascii_digit()) {
        let start = from + digit;
        let end = after_number(text, start);
        from = end;
        let before = text[..start].trim_end_matches(['−', '-', '+']);
        if before.ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == '.') {
            continue;
        }
        let rest = text[end..].trim_start_matches([' ', '\u{a0}']);
        let Some(unit) = WRITTEN.iter().find(|unit| rest.starts_with(**unit)) else { continue };
        let after = &rest[unit.len()..];
        if after.starts_with(|c: char| c.is_alphanumeric()) {
            continue;
        }
        // "815 to 865 rpm": a band of speeds, seen or fixed, is a place.
        let band = *unit == "rpm" && low_end(before).is_some_and(is_number);
        let of_load = *unit == "%" && loads.iter().any(|name| before.trim_end().ends_with(name));
        let excused = EXEMPT.iter().any(|(b, a, _)| before.ends_with(b) && rest.starts_with(a));
        if !(has_interval(after) || is_end(before, after) || band || of_load || excused) {
            let (mut left, mut right) = (start.saturating_sub(60), (end + 40).min(text.len()));
            while !text.is_char_boundary(left) {
                left -= 1;
            }
            while !text.is_char_boundary(right) {
                right += 1;
            }
            found.push(&text[left..right]);
        }
    }
    found
}

/// Past "1,234.5".
fn after_number(text: &str, start: usize) -> usize {
    let part = |c: char| c.is_ascii_digit() || c == '.' || c == ',';
    let long = text[start..].find(|c| !part(c)).map_or(text.len(), |length| start + length);
    start + text[start..long].trim_end_matches(['.', ',']).len()
}

/// " (12.39 to 12.43…)", or, in a cell, " 12.39 to 12.43 …".
fn has_interval(after: &str) -> bool {
    let inside = after.trim_start().trim_start_matches('(');
    let Some((low, rest)) = inside.split_once(" to ") else { return false };
    is_number(low)
        && rest.split([' ', ')', ',']).next().is_some_and(|high| is_number(high) || high == "no")
}

fn is_number(text: &str) -> bool {
    let digits = text.trim_start_matches('−').replace(',', "");
    text == "no limit" || digits.parse::<f64>().is_ok()
}

/// The second number of "(12.39 to 12.43 V, assumed)" or "9 to 20 A (90 %)".
fn is_end(before: &str, after: &str) -> bool {
    low_end(before).is_some_and(is_number)
        && [")", ", measured)", ", inferred)", ", assumed)", " (90 %)"]
            .iter()
            .any(|a| after.starts_with(a))
}

fn low_end(before: &str) -> Option<&str> {
    before.strip_suffix(" to ")?.rsplit([' ', '(']).next()
}

/// Names of loads that end in their duty: "blower 60 %" is a name.
fn loads(diagnosis: &Diagnosis) -> Vec<String> {
    let points = diagnosis.operating_points.iter().flat_map(|p| p.loads.iter());
    let steps = diagnosis.load_steps.iter().filter_map(|s| s.load.as_ref());
    let all = points.chain(steps).flat_map(|name| name.split(" + "));
    let bare = |name: &str| match name.strip_suffix(" %").and_then(|n| n.rsplit_once(' ')) {
        Some((name, _)) => name.to_owned(),
        None => name.to_owned(),
    };
    all.map(bare).collect()
}

/// Left out before rendering: what to test next and what to beware of hold limits
/// by common practice, and the account of the file quotes it.
fn without_advice(diagnosis: &Diagnosis) -> Diagnosis {
    let mut d = diagnosis.clone();
    d.findings.iter_mut().for_each(|finding| finding.set_test(NextTest::default()));
    d.cautions.clear();
    d.columns.iter_mut().for_each(|column| column.why.clear());
    d.notes.clear();
    d.source.notices.clear();
    d
}

/// In one line, as it reads.
fn screen(diagnosis: &Diagnosis) -> String {
    one_line(&report::terminal(diagnosis, None, 160))
}

fn one_line(styled: &str) -> String {
    strip_str(styled).to_string().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Text and tables of the page. Pictures are left out: their axes are scales, and
/// their labels name lines and points, which the foot of the page says.
fn page(diagnosis: &Diagnosis) -> String {
    without_tags(&report::html(diagnosis))
}

fn without_tags(page: &str) -> String {
    let mut words = String::new();
    let mut rest = page;
    while let Some((text, tag)) = rest.split_once('<') {
        words.push_str(text);
        words.push(' ');
        let left_out = ["style", "svg", "script"].into_iter().find(|name| tag.starts_with(name));
        let close = left_out.map_or(">".to_owned(), |name| format!("</{name}>"));
        rest = tag.split_once(&close).map_or("", |(_, after)| after);
    }
    words.push_str(rest);
    // A cell puts its grade into a span of its own.
    words.split_whitespace().collect::<Vec<_>>().join(" ").replace(" ,", ",")
}

#[test]
fn every_number_on_screen_and_page_has_its_interval() {
    let mut found = Vec::new();
    for (name, diagnosis) in all() {
        let shown = without_advice(diagnosis);
        let loads = loads(diagnosis);
        for (place, text) in [("screen", screen(&shown)), ("page", page(&shown))] {
            found.extend(bare(&text, &loads).iter().map(|bare| format!("{name}, {place}: {bare}")));
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

/// Page and terminal of a proof; the terminal so wide that no cell of its tables is
/// broken into lines, which would tear numbers from their intervals here.
fn texts(comparison: &Comparison) -> [String; 2] {
    let screen = one_line(&comparison.terminal(None, 400));
    [without_tags(&report::proof::html(comparison)), screen]
}

/// As the labels of its points name them: "blower 60 %" is a name.
fn loads_of(comparison: &Comparison) -> Vec<String> {
    let of_one = |after: &stiffbus::comparison::After| {
        let points = after.points.iter().flat_map(|p| p.loads.clone());
        points.chain(after.unmatched.iter().flat_map(|u| u.loads.clone())).collect::<Vec<_>>()
    };
    let all = comparison.afters.iter().flat_map(of_one);
    let bare = |name: String| match name.strip_suffix(" %").and_then(|n| n.rsplit_once(' ')) {
        Some((name, _)) => name.to_owned(),
        None => name,
    };
    all.map(bare).collect()
}

#[test]
fn every_number_told_of_a_proof_has_its_interval() {
    let mut found = Vec::new();
    for (name, comparison) in proofs::all() {
        let mut shown = comparison.clone();
        shown.cautions.clear();
        let loads = loads_of(comparison);
        for text in texts(&shown) {
            found.extend(bare(&text, &loads).iter().map(|bare| format!("{name}: {bare}")));
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn what_is_less_than_measured_in_a_proof_names_its_grade() {
    let mut wrong = Vec::new();
    for (name, comparison) in proofs::all() {
        let json: Value = serde_json::from_str(&stiffbus::json::text(comparison)).unwrap();
        let texts = texts(comparison);
        assert!(texts[0].contains("where no grade is named beside it, the value is measured"));
        assert!(texts[1].contains("Where no grade is named: measured."));
        wrong.extend(ungraded(name, &json, &texts));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// One note stands for all that is measured; of the rest every interval names its
/// grade right behind it.
#[test]
fn what_is_less_than_measured_names_its_grade() {
    let mut wrong = Vec::new();
    for (name, diagnosis) in all() {
        let json: Value = serde_json::from_str(&json::text(diagnosis)).unwrap();
        let (screen, page) = (screen(diagnosis), page(diagnosis));
        assert!(screen.contains("Where no grade is named: measured."), "{name}");
        assert!(page.contains("A number without a grade is measured."), "{name}");
        if screen.contains("loads on") {
            assert!(screen.contains("volts (90 %)"), "{name}");
        }
        wrong.extend(ungraded(name, &json, &[screen, page]));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Intervals in brackets that are less than measured and do not say so.
fn ungraded(name: &str, json: &Value, texts: &[String]) -> Vec<String> {
    let mut ranges = Vec::new();
    collect(json, "", &mut ranges);
    let is_measured = |(_, e): &&(String, Estimate)| e.grade == Grade::Measured;
    let measured: Vec<String> =
        ranges.iter().filter(is_measured).map(|(range, _)| range.clone()).collect();
    let mut wrong = Vec::new();
    for (range, e) in
        ranges.iter().filter(|(r, e)| e.grade != Grade::Measured && !measured.contains(r))
    {
        for text in texts {
            for (at, _) in text.match_indices(&format!("({range}")) {
                let after: String = text[at + range.len() + 1..].chars().take(24).collect();
                let grade =
                    [Grade::Inferred, Grade::Assumed].iter().any(|g| after.contains(g.word()));
                // The volts lost between two taps are measured. So is what the bus lacks of the
                // voltage at the post.
                let is_lost = after.starts_with(") lost ");
                // A cell of a table in the terminal: the note below gives the grade of all.
                let value = text[..at].trim_end().rsplit(' ').next().unwrap_or("");
                let is_cell =
                    !after[1..].trim_start().starts_with(['.', ',', ';', 'w']) && is_number(value);
                if !grade && !is_lost && !is_cell {
                    wrong.push(format!("{name}: {e:?} is told as ({range}{after}"));
                }
            }
        }
    }
    wrong
}

/// Every estimate with its interval as it is written.
fn collect(value: &Value, path: &str, ranges: &mut Vec<(String, Estimate)>) {
    let Some(fields) = value.as_object() else {
        let items = value.as_array().into_iter().flatten();
        return items.for_each(|item| collect_one(item, &format!("{path}[]"), unit(path), ranges));
    };
    for (key, field) in fields {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        let beside = fields.keys().filter(|plain| plain.starts_with(&format!("{key}_")));
        let unit = unit(&path).or(beside.filter_map(|plain| unit(plain)).next());
        collect_one(field, &path, unit, ranges);
    }
}

fn collect_one(
    value: &Value,
    path: &str,
    unit_there: Option<Unit>,
    ranges: &mut Vec<(String, Estimate)>,
) {
    if !is_estimate(value) {
        return collect(value, path, ranges);
    }
    let unit = unit(path).or(unit_there);
    let known = serde_json::from_value::<Estimate>(value.clone()).ok().zip(unit);
    ranges.extend(known.map(|(e, unit)| (unit.range(&e), e)));
}

#[test]
fn a_bare_number_in_a_sentence_is_noticed() {
    let loads = ["blower".to_owned()];
    for (text, bare_ones) in [
        ("it sits at 12.59 V (12.47 to 12.71), and the battery gives 22 A (9 to 38, assumed).", 0),
        ("it sits at 12.59 V, and the battery gives 22 A (9 to 38, assumed).", 1),
        ("it sits at 12.59 V (see below)", 1),
        ("12.63 V 12.61 to 12.65, measured", 0),
        ("a voltage of 12.9 V (12.8 to 13.1 V, assumed)", 0),
        ("it falls from 14.2 to 13.1 V within 3 s", 1),
        ("with blower 60 % on at 872 rpm", 0),
        ("it is charged to 44 %", 1),
        ("keeps up from 1,240 rpm (1,180 to 1,330), measured", 0),
        ("keeps up: 1240 rpm", 1),
        ("−12 mV/min, measured, and 7.1 mΩ", 2),
        ("Limit 9.6 V at 21 °C; step 3 Volts 4 Amps", 0),
    ] {
        assert_eq!(bare(text, &loads).len(), bare_ones, "{text}: {:?}", bare(text, &loads));
    }
}

/// Of a review: an invented day, whose numbers are of every grade.
#[test]
fn every_number_told_of_a_review_has_its_interval_and_grade() {
    let review = crate::invented_day::day(40, 4);
    let mut shown = review.clone();
    shown.cautions.clear();
    let page = without_tags(&report::review::html(&shown));
    let screen = one_line(&shown.terminal(None, 400));
    let mut found = Vec::new();
    for text in [&page, &screen] {
        found.extend(bare(text, &[]).into_iter().map(str::to_owned));
    }
    assert!(found.is_empty(), "{found:#?}");
    assert!(page.contains("where no grade is named beside it, the value is measured"));
    assert!(screen.contains("Where no grade is named: measured."));
    let json: Value = serde_json::from_str(&stiffbus::json::text(&review)).unwrap();
    let wrong = ungraded("a review", &json, &[page, screen]);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
