//! What is shown of a plan, on the scenario's complaint and its sheets.

use std::path::Path;
use std::sync::OnceLock;

use stiffbus::car::Car;
use stiffbus::examine;
use stiffbus::ingest::{ReadOptions, Sheet, Stated, read};
use stiffbus::plan::{Asked, Candidate, Plan, plan};
use stiffbus::report::plan::html;
use stiffbus::report::svg;
use stiffbus::report::{Kind, Product};

const HOSTILE: &str = "<script>alert(1)</script>\u{1b}[31m=1+1";

fn sample(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs").join(name)
}

fn planned() -> &'static Plan {
    static PLAN: OnceLock<Plan> = OnceLock::new();
    PLAN.get_or_init(|| {
        let log = read(&sample("hot-idle-old-alternator.csv"), &ReadOptions::default());
        let log = log.expect("a sample log");
        let car = Car::default();
        let examined = examine(&log, &car).expect("a running engine");
        let diagnosis = examined.diagnosis(&car);
        let candidate = |name: &str, sheet: &str, ratio| Candidate {
            name: name.to_owned(),
            sheet: Sheet::read(&sample(sheet), Stated::default()).expect("a sheet"),
            ratio,
        };
        let asked = Asked {
            candidates: vec![
                candidate(HOSTILE, "sheets/rebuilt-100a.csv", None),
                candidate("new", "sheets/new-160a.csv", Some(2.9)),
            ],
            cable: "4AWG:2.5m".parse().ok(),
            ..Asked::default()
        };
        plan(&car, examined, &diagnosis, &asked).expect("a plan")
    })
}

#[test]
fn every_file_of_a_plan_is_written_and_bounded() {
    let written = planned().files();
    let names: Vec<&str> = written.iter().map(|(name, _)| name.as_str()).collect();
    let expected = [
        "plan.html",
        "plan.json",
        "capacity.svg",
        "replay.svg",
        "candidates.csv",
        "predicted_points.csv",
        "cables.csv",
    ];
    assert_eq!(names, expected);
    assert!(names.iter().all(|name| Kind::Plan.writes(name)));
    for (name, text) in &written {
        let most = if name.ends_with(".svg") { 300_000 } else { 2_000_000 };
        assert!(text.len() < most, "{name}: {} bytes", text.len());
        if name.ends_with(".svg") {
            let parsed = roxmltree::Document::parse(text).expect(name);
            let titled = |tag| parsed.descendants().any(|node| node.has_tag_name(tag));
            assert!(titled("title") && titled("desc"), "{name}");
        }
    }
}

#[test]
fn the_same_plan_makes_the_same_bytes_and_is_read_back() {
    assert_eq!(planned().files(), planned().files());
    let text = stiffbus::json::text(planned());
    let again: Plan = serde_json::from_str(&text).expect("a plan");
    assert_eq!(stiffbus::json::text(&again), text);
}

#[test]
fn text_of_others_is_shown_and_never_obeyed() {
    let drawn = |name: &str| name.ends_with(".html") || name.ends_with(".svg");
    for (name, text) in planned().files() {
        assert!(!drawn(&name) || !text.contains("<script"), "{name}");
        assert!(!text.contains('\u{1b}'), "{name}");
    }
    let page = html(planned());
    assert!(page.contains("&lt;script&gt;"));
    assert!(page.contains("default-src 'none'"));
    assert!(!page.contains(" src=") && !page.contains(" href="));
}

#[test]
fn the_terminal_says_what_to_fit_within_a_screen() {
    for (width, most) in [(60, 80), (80, 52), (100, 42)] {
        let text = planned().terminal(Some(Path::new("plan")), width);
        let plain = anstream::adapter::strip_str(&text).to_string();
        assert!(plain.contains("Fit new"), "{plain}");
        assert!(plain.lines().count() <= most, "{width}: {} lines", plain.lines().count());
        let widest = plain.lines().map(|l| l.chars().count()).max().unwrap_or(0);
        assert!(widest <= width, "{width}: a line of {widest}");
    }
}

/// Where names are cut the amps are not: they stand first.
#[test]
fn the_narrow_picture_tells_the_amps_that_loads_need() {
    let svg = svg::capacity_narrow(planned()).expect("a picture");
    let needs = &planned().candidates.first().expect("a candidate").margins;
    let most = needs.iter().max_by(|a, b| a.needed_a.value.total_cmp(&b.needed_a.value));
    let amps = format!("{:.0} A: ", most.expect("a set of loads").needed_a.value);
    let document = roxmltree::Document::parse(&svg).expect("XML");
    let texts: Vec<&str> = document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .filter_map(|node| node.text())
        .map(str::trim)
        .collect();
    assert!(texts.iter().any(|text| text.starts_with(&amps)), "{amps}: {texts:?}");
    assert!(texts.contains(&"current"), "{texts:?}");
}

/// Every number that was estimated carries its interval and grade.
#[test]
fn every_estimate_of_a_plan_is_graded() {
    fn walk(value: &serde_json::Value, seen: &mut usize) {
        match value {
            serde_json::Value::Object(fields) => {
                if fields.contains_key("grade") {
                    *seen += 1;
                    let number = |key: &str| fields[key].as_f64();
                    if let (Some(low), Some(value), Some(high)) =
                        (number("low"), number("value"), number("high"))
                    {
                        assert!(low <= value && value <= high, "{fields:?}");
                    }
                    assert!(fields["how"].as_str().is_some_and(|how| !how.is_empty()));
                }
                fields.values().for_each(|v| walk(v, seen));
            }
            serde_json::Value::Array(items) => items.iter().for_each(|v| walk(v, seen)),
            _ => {}
        }
    }
    let mut seen = 0;
    walk(&serde_json::to_value(planned()).expect("JSON"), &mut seen);
    assert!(seen > 100, "{seen} estimates");
}
