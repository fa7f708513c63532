//! What a log, a file's name or a `car.toml` says stays text: in the pages, pictures,
//! tables, JSON and on the terminal.
//!
//! Every free text of a real value is replaced by text written to do harm. The pages
//! then must have the same elements and attributes as before, and not one more.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use proptest::prelude::*;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use stiffbus::car::{Car, Job};
use stiffbus::compare::{Agreed, Recorded, compare};
use stiffbus::comparison::{Comparison, Settings};
use stiffbus::diagnosis::Diagnosis;
use stiffbus::ingest::{Sheet, Stated};
use stiffbus::plan::{Asked, Candidate, Plan, plan};
use stiffbus::report::{self, Product, svg, tables};
use stiffbus::{diagnose, examine, format, ingest, json};

use crate::support::{cases, sample_logs};

const HARM: &[&str] = &[
    "<script>alert(1)</script>",
    "</title><script src=//x.example></script>",
    "</style><img src=x onerror=alert(1)>",
    "\" onmouseover=\"alert(1)",
    "' onload='alert(1)",
    "<!-- ",
    " -->",
    "]]>",
    "<![CDATA[",
    "&lt;b&gt;&#x3c;script>",
    "javascript:alert(1)",
    "\u{1b}[31mred",
    "\u{1b}]0;owned\u{7}",
    "\u{9b}2J",
    "\u{202e}txet",
    "\u{2066}a\u{2069}",
    "\0",
    "\r\nstiffbus: all is well",
    "\u{2028}",
    "\u{85}",
    "\u{feff}",
    "\u{fffe}",
    "=cmd|' /C calc'!A1",
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    " =1",
    "x;=1+1",
    "x;\"=1",
    "x\t=1",
    "＝1",
    "../../../../tmp/x",
    "C:\\x\\..\\y",
    "%n%s%p",
    "${x}",
    "{}",
    "日本語の負荷",
    "e\u{301}",
    "",
    " ",
    "very long name very long name very long name very long name very long name very long name very long name",
];

fn harm() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => prop::sample::select(HARM).prop_map(str::to_owned),
        2 => prop::collection::vec(prop::sample::select(HARM), 2..4).prop_map(|parts| parts.concat()),
        1 => "\\PC{0,12}",
        1 => ".{0,12}",
    ]
}

/// A value whose every free text can be replaced.
struct Subject<T> {
    value: Value,
    /// Places of free texts: words of the contract, whose change breaks it, left out.
    places: Vec<String>,
    benign: T,
}

impl<T: Serialize + DeserializeOwned> Subject<T> {
    fn of(benign: T) -> Subject<T> {
        let value = serde_json::to_value(&benign).expect("JSON");
        let mut all = Vec::new();
        text_places(&value, String::new(), &mut all);
        let mut known: std::collections::BTreeMap<String, bool> = Default::default();
        let places = all
            .into_iter()
            .filter(|place| {
                let kind: String = place
                    .split('/')
                    .map(|s| if s.parse::<usize>().is_ok() { "#" } else { s })
                    .collect::<Vec<_>>()
                    .join("/");
                *known.entry(kind).or_insert_with(|| {
                    let mut other = value.clone();
                    *other.pointer_mut(place).expect("the place") = Value::String("<x>".into());
                    serde_json::from_value::<T>(other).is_ok()
                })
            })
            .collect();
        Subject { value, places, benign }
    }

    fn spoiled(&self, texts: &[String]) -> T {
        let mut value = self.value.clone();
        for (k, place) in self.places.iter().enumerate() {
            let text = &texts[(k * 7 + k / texts.len()) % texts.len()];
            *value.pointer_mut(place).expect("the place") = Value::String(text.clone());
        }
        serde_json::from_value(value).expect("only free texts changed")
    }
}

fn text_places(value: &Value, place: String, all: &mut Vec<String>) {
    match value {
        Value::String(_) => all.push(place),
        Value::Array(list) => {
            list.iter().enumerate().for_each(|(k, v)| text_places(v, format!("{place}/{k}"), all))
        }
        Value::Object(map) => map.iter().for_each(|(key, v)| {
            let key = key.replace('~', "~0").replace('/', "~1");
            text_places(v, format!("{place}/{key}"), all);
        }),
        _ => {}
    }
}

fn log_path(name: &str) -> PathBuf {
    sample_logs().join(name)
}

fn diagnosed(name: &str) -> Diagnosis {
    let log = ingest::read(&log_path(name), &Default::default()).expect("a sample");
    diagnose(&log, &Car::default()).expect("a diagnosis")
}

fn diagnosis() -> &'static Subject<Diagnosis> {
    static MADE: OnceLock<Subject<Diagnosis>> = OnceLock::new();
    MADE.get_or_init(|| {
        let mut diagnosis = diagnosed("output-sweep.csv");
        diagnosis.load_steps.truncate(4);
        diagnosis.source.notices.push("a notice".to_owned());
        diagnosis.notes.push(stiffbus::log::Note { at_s: 1.0, text: "a note".to_owned() });
        Subject::of(diagnosis)
    })
}

fn comparison() -> &'static Subject<Comparison> {
    static MADE: OnceLock<Subject<Comparison>> = OnceLock::new();
    MADE.get_or_init(|| {
        let recorded = |name: &str| Recorded {
            diagnosis: diagnosed(name),
            settings: Settings {
                path: name.to_owned(),
                columns: vec!["load=x".to_owned()],
                ..Settings::default()
            },
        };
        let words = || Some("a word".to_owned());
        let job = Job {
            shop: vec!["a word".to_owned()],
            customer: words(),
            vehicle: words(),
            work_order: words(),
            parts: vec!["a part".to_owned()],
            technician: words(),
            remarks: words(),
        };
        let agreed = Agreed { job, ..Agreed::default() };
        let (before, after) =
            (recorded("hot-idle-old-alternator.csv"), recorded("new-alternator-soaked.csv"));
        Subject::of(compare(&before, &[after], &agreed).expect("a comparison"))
    })
}

fn planned() -> &'static Subject<Plan> {
    static MADE: OnceLock<Subject<Plan>> = OnceLock::new();
    MADE.get_or_init(|| {
        let log = ingest::read(&log_path("hot-idle-old-alternator.csv"), &Default::default())
            .expect("a sample");
        let car = Car::default();
        let examined = examine(&log, &car).expect("a running engine");
        let diagnosis = examined.diagnosis(&car);
        let sheet = Sheet::parse(
            Path::new("big.csv"),
            b"rpm,A\n1500,60\n3000,120\n6000,160\n".to_vec(),
            Stated::default(),
        )
        .expect("a sheet");
        let asked = Asked {
            candidates: vec![Candidate { name: "big".to_owned(), sheet, ratio: Some(2.9) }],
            cable: Some("4AWG:3m".parse().expect("a cable")),
            ..Asked::default()
        };
        Subject::of(plan(&car, examined, &diagnosis, &asked).expect("a plan"))
    })
}

/// Every text that goes out, by the name of its file; the terminal's as "terminal".
fn outputs_of_diagnosis(d: &Diagnosis) -> Vec<(String, String)> {
    let mut all: Vec<(String, String)> = vec![
        ("report.html".into(), report::html(d)),
        ("diagnosis.json".into(), json::text(d)),
        ("trace.svg".into(), svg::trace(d)),
        ("load_steps.csv".into(), tables::steps_csv(d)),
        ("operating_points.csv".into(), tables::operating_points_csv(d)),
        ("line_drop.csv".into(), tables::line_drop_csv(d)),
        ("terminal".into(), report::terminal(d, Some(Path::new("x\u{1b}[31m")), 80)),
        ("terminal narrow".into(), report::terminal(d, None, 30)),
    ];
    let others =
        [svg::speed(d), svg::deficit(d), svg::heat(d), svg::output(d), svg::speed_narrow(d)];
    all.extend(others.into_iter().flatten().map(|svg| ("other.svg".to_owned(), svg)));
    all.extend((0..d.load_steps.len()).map(|k| ("step.svg".to_owned(), svg::step(d, k))));
    all.extend(tables::output_curve_csv(d).map(|table| ("output_curve.csv".to_owned(), table)));
    all
}

fn outputs_of_comparison(c: &Comparison) -> Vec<(String, String)> {
    let mut all = c.files();
    all.push(("terminal".into(), c.terminal(Some(Path::new("a b;\u{1b}c")), 80)));
    all
}

fn outputs_of_plan(p: &Plan) -> Vec<(String, String)> {
    let mut all = p.files();
    all.push(("terminal".into(), p.terminal(Some(Path::new("x\u{9b}y")), 80)));
    all
}

type Shape = BTreeSet<String>;

/// Elements with the names of their attributes, as a reader of HTML sees them.
fn html_shape(page: &str) -> Shape {
    let mut shape = Shape::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let (tag, after) = tag_of(rest);
        let name = tag.first().cloned().unwrap_or_default();
        shape.insert(if is_mark(&tag) { name.clone() } else { tag.join(" ") });
        rest = after;
        // The text of these two is not HTML.
        if name == "style" || name == "script" {
            let end = rest.find(&format!("</{name}")).unwrap_or(rest.len());
            rest = &rest[end..];
        }
    }
    shape
}

/// A mark of a picture with nothing but a place and a look: how many go into one
/// element depends on the values.
fn is_mark(tag: &[String]) -> bool {
    let looks = [
        "x",
        "y",
        "width",
        "height",
        "cx",
        "cy",
        "r",
        "d",
        "dy",
        "fill",
        "fill-opacity",
        "opacity",
        "stroke",
        "stroke-width",
        "stroke-linecap",
        "text-anchor",
        "font-size",
        "font-weight",
        "/",
    ];
    tag.split_first().is_some_and(|(name, attributes)| {
        ["rect", "circle", "path", "text"].contains(&name.as_str())
            && attributes.iter().all(|a| looks.contains(&a.as_str()))
    })
}

/// Name and attributes' names, and what follows the tag.
fn tag_of(text: &str) -> (Vec<String>, &str) {
    let mut words = vec![String::new()];
    let mut quote = None;
    let mut in_value = false;
    for (at, c) in text.char_indices() {
        match (quote, c) {
            (Some(q), c) if q == c => quote = None,
            (Some(_), _) => {}
            (None, '>') => {
                words.retain(|word| !word.is_empty());
                return (words, &text[at + 1..]);
            }
            (None, '"' | '\'') if in_value => quote = Some(c),
            (None, '=') => in_value = true,
            (None, c) if c.is_whitespace() => {
                in_value = false;
                words.push(String::new());
            }
            (None, c) if !in_value => words.last_mut().expect("one").push(c.to_ascii_lowercase()),
            _ => {}
        }
    }
    (words, "")
}

fn svg_shape(text: &str) -> Shape {
    let document =
        roxmltree::Document::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    document
        .descendants()
        .filter(|node| node.is_element())
        .map(|node| {
            let names =
                [node.tag_name().name()].into_iter().chain(node.attributes().map(|a| a.name()));
            let tag: Vec<String> = names.map(str::to_owned).collect();
            if is_mark(&tag) { tag.into_iter().next().unwrap_or_default() } else { tag.join(" ") }
        })
        .collect()
}

fn is_inert(name: &str, text: &str, benign: &[(String, String)]) {
    let printable = |text: &str| {
        let unfit = text.chars().find(|&c| c != '\n' && format::is_unprintable(c));
        assert_eq!(unfit, None, "{name}: {text:?}");
    };
    let like = || benign.iter().filter(|(other, _)| other == name).map(|(_, text)| text.as_str());
    match name.rsplit('.').next() {
        Some("html") => {
            printable(text);
            let allowed: Shape = like().flat_map(html_shape).chain(pictures_in_page()).collect();
            let more: Vec<String> =
                html_shape(text).into_iter().filter(|tag| !allowed.contains(tag)).collect();
            assert!(more.is_empty(), "{name}: {more:?}");
            let policy = text.find("Content-Security-Policy").expect("a policy");
            assert!(
                policy < text.find("<title>").expect("a title"),
                "the policy stands before what came from a log"
            );
            assert!(text.contains("default-src 'none'"));
        }
        Some("svg") => {
            printable(text);
            let allowed: Shape = benign
                .iter()
                .filter(|(n, _)| n.ends_with(".svg"))
                .flat_map(|(_, t)| svg_shape(t))
                .collect();
            let more: Vec<String> =
                svg_shape(text).into_iter().filter(|tag| !allowed.contains(tag)).collect();
            assert!(more.is_empty(), "{name}: {more:?}");
        }
        Some("csv") => {
            printable(text);
            for row in
                csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes()).records()
            {
                for cell in &row.expect("a record") {
                    does_not_run(name, cell);
                    cell.split([';', '\t']).for_each(|part| does_not_run(name, part));
                }
            }
        }
        Some("json") => {
            printable(text);
            serde_json::from_str::<Value>(text).expect("JSON");
        }
        _ => {
            // Colours are ours: everything else that a terminal obeys is not.
            let mut bare = text.to_owned();
            while let Some(at) = bare.find("\u{1b}[") {
                let end = bare[at..].find('m').expect("the end of a colour");
                let code = &bare[at + 2..at + end];
                assert!(
                    code.len() <= 8 && code.chars().all(|c| c.is_ascii_digit() || c == ';'),
                    "{code:?}"
                );
                bare.replace_range(at..=at + end, "");
            }
            printable(&bare);
        }
    }
}

/// Marks that only some values have, in the pictures that every page may hold.
fn pictures_in_page() -> Shape {
    ["rect", "text", "circle", "path", "/text", "/svg", "svg"]
        .into_iter()
        .map(str::to_owned)
        .collect()
}

/// As spreadsheets decide: by the first character that is no blank and no quote.
fn does_not_run(name: &str, cell: &str) {
    let start = cell.trim_start_matches([' ', '"', '\u{a0}']);
    let runs = start.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠']);
    assert!(!runs || cell.parse::<f64>().is_ok(), "{name}: {cell:?}");
}

fn stays_text<T: Serialize + DeserializeOwned>(
    subject: &Subject<T>,
    texts: &[String],
    outputs: fn(&T) -> Vec<(String, String)>,
) {
    let benign = outputs(&subject.benign);
    for (name, text) in outputs(&subject.spoiled(texts)) {
        is_inert(&name, &text, &benign);
    }
}

proptest! {
    #![proptest_config(cases(62, 2000))]

    #[test]
    fn a_report_holds_only_text_of_a_log(texts in prop::collection::vec(harm(), 5..40)) {
        stays_text(diagnosis(), &texts, outputs_of_diagnosis);
    }

    #[test]
    fn a_proof_holds_only_text_of_logs(texts in prop::collection::vec(harm(), 5..40)) {
        stays_text(comparison(), &texts, outputs_of_comparison);
    }

    #[test]
    fn a_plan_holds_only_text_of_a_log(texts in prop::collection::vec(harm(), 5..40)) {
        stays_text(planned(), &texts, outputs_of_plan);
    }
}

#[test]
fn enough_free_texts_are_spoiled() {
    let counts = [diagnosis().places.len(), comparison().places.len(), planned().places.len()];
    assert!(counts.iter().all(|&n| n > 50), "{counts:?}");
}

/// A reader of HTML that could not see a foreign element would prove nothing.
#[test]
fn what_gets_out_is_seen() {
    let benign = outputs_of_diagnosis(&diagnosis().benign);
    let (name, page) = &benign[0];
    for (from, to) in
        [("<main>", "<main><script src=x>"), ("<h1", "<h1 onclick=x"), ("<title>", "<title><b>")]
    {
        assert!(page.contains(from), "{from}");
        let spoiled = page.replacen(from, to, 1);
        let shape: Vec<String> =
            html_shape(&spoiled).difference(&html_shape(page)).cloned().collect();
        assert_eq!(shape.len(), 1, "{name}: {shape:?}");
    }
}

/// The names of the files are ours, whatever a load is called.
#[test]
fn no_name_in_a_log_names_a_file() {
    let texts: Vec<String> = HARM.iter().map(|&text| text.to_owned()).collect();
    let home = tempfile::tempdir().expect("a folder");
    let dir = home.path().join("report");
    let spoiled = diagnosis().spoiled(&texts);
    let written =
        report::write_folder(&spoiled, &dir, report::Overwrite::SameLog).expect("a report");
    let ours = |name: &String| {
        name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || "_-.".contains(c))
    };
    assert!(written.files.iter().all(ours), "{:?}", written.files);
    assert_eq!(std::fs::read_dir(home.path()).expect("a folder").count(), 1);
    for (name, _) in outputs_of_comparison(&comparison().spoiled(&texts)) {
        assert!(name == "terminal" || ours(&name), "{name}");
    }
    for (name, _) in outputs_of_plan(&planned().spoiled(&texts)) {
        assert!(name == "terminal" || ours(&name), "{name}");
    }
}
