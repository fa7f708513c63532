//! The plots: XML by a parser that is not ours, inert, bounded, legible.

use crate::fixture;
use crate::paths;
use roxmltree::{Document, Node};
use stiffbus::diagnosis::{Diagnosis, OutputPoint};
use stiffbus::report::svg;

const MOST_BYTES: usize = 300_000;

fn plots(diagnosis: &Diagnosis) -> Vec<String> {
    let steps = (0..diagnosis.load_steps.len()).map(|i| svg::step(diagnosis, i));
    let traces = [svg::trace(diagnosis), svg::trace_narrow(diagnosis)];
    let speeds = svg::speed(diagnosis).into_iter().chain(svg::speed_narrow(diagnosis));
    let outputs = svg::output(diagnosis).into_iter().chain(svg::output_narrow(diagnosis));
    let deficits = svg::deficit(diagnosis).into_iter().chain(svg::deficit_narrow(diagnosis));
    let heats = svg::heat(diagnosis).into_iter().chain(svg::heat_narrow(diagnosis));
    steps.chain(traces).chain(speeds).chain(outputs).chain(deficits).chain(heats).collect()
}

fn texts<'a>(document: &'a Document) -> Vec<(Node<'a, 'a>, String)> {
    let nodes = document.descendants().filter(|n| n.has_tag_name("text"));
    nodes.map(|n| (n, n.text().unwrap_or("").trim().to_owned())).collect()
}

fn number(node: Node, name: &str) -> f64 {
    node.attribute(name).unwrap().parse().unwrap()
}

#[test]
fn every_plot_is_xml_with_title_and_description() {
    for (name, diagnosis) in fixture::all() {
        for plot in plots(&diagnosis) {
            let document = Document::parse(&plot).unwrap_or_else(|e| panic!("{name}: {e}"));
            let root = document.root_element();
            assert!(root.has_attribute("viewBox"));
            let child = |tag: &str| {
                let found = root.children().find(|n| n.has_tag_name(tag)).unwrap();
                assert!(!found.text().unwrap_or("").is_empty(), "{name}: {tag}");
                found.attribute("id").unwrap().to_owned()
            };
            let ids = format!("{} {}", child("title"), child("desc"));
            assert_eq!(root.attribute("aria-labelledby"), Some(ids.as_str()));
        }
    }
}

#[test]
fn names_stay_text() {
    let hostile = fixture::hostile();
    let mut seen = String::new();
    for plot in plots(&hostile) {
        let document = Document::parse(&plot).unwrap();
        for node in document.descendants().filter(Node::is_element) {
            let tag = node.tag_name().name();
            let ours = ["svg", "title", "desc", "rect", "path", "circle", "text"];
            assert!(ours.contains(&tag), "{tag}");
            for attribute in node.attributes() {
                assert!(!attribute.name().starts_with("on") && attribute.name() != "href");
            }
        }
        for (_, text) in texts(&document) {
            seen.push_str(&text);
            seen.push('\n');
        }
    }
    assert!(seen.contains("<script>alert(1)</script>"));
    assert!(seen.contains("风扇继电器一号"));
    assert_eq!(seen.chars().find(|c| c.is_control() && *c != '\n'), None);
}

#[test]
fn no_plot_grows_with_the_log() {
    for (name, diagnosis) in fixture::all() {
        for plot in plots(&diagnosis) {
            assert!(plot.len() <= MOST_BYTES, "{name}: {} bytes", plot.len());
        }
    }
    assert!(fixture::vast().picture.voltage.time_s.len() > 50_000);
}

#[test]
fn a_name_as_long_as_a_file_is_cut() {
    let mut diagnosis = fixture::overload();
    let name = "x<".repeat(250_000);
    diagnosis.source.file = name.clone();
    diagnosis.load_steps[0].load = Some(name.clone());
    diagnosis.picture.loads[0].load = name.clone();
    diagnosis.picture.other_voltages[0].name = name.clone();
    diagnosis.picture.speed[0].loads = vec![name.clone()];
    diagnosis.keep_up[0].loads = vec![name];
    for plot in plots(&diagnosis) {
        assert!(plot.len() <= MOST_BYTES, "{} bytes", plot.len());
        Document::parse(&plot).unwrap();
    }
}

/// Mean widths of DejaVu Sans, a wide common sans, from its metrics: letters and
/// digits 0.61 em (bold 0.69), everything else 0.40.
fn width_in(node: Node, text: &str) -> f64 {
    let letter = if node.attribute("font-weight") == Some("bold") { 0.69 } else { 0.61 };
    let ems: f64 = text.chars().map(|c| if c.is_alphanumeric() { letter } else { 0.40 }).sum();
    ems * number(node, "font-size")
}

#[test]
fn no_text_leaves_the_sheet() {
    for (name, diagnosis) in fixture::all() {
        for plot in plots(&diagnosis) {
            let document = Document::parse(&plot).unwrap();
            let sheet = number(document.root_element(), "width");
            for (node, text) in texts(&document) {
                let width = width_in(node, &text);
                let x = number(node, "x");
                let (left, right) = match node.attribute("text-anchor") {
                    Some("end") => (x - width, x),
                    Some("middle") => (x - width / 2.0, x + width / 2.0),
                    _ => (x, x + width),
                };
                assert!(left > -2.0 && right < sheet + 2.0, "{name}: {text:?} {left} {right}");
            }
        }
    }
}

#[test]
fn labels_in_the_margin_keep_apart() {
    for (name, diagnosis) in fixture::all() {
        for plot in plots(&diagnosis) {
            let document = Document::parse(&plot).unwrap();
            let sheet = number(document.root_element(), "width");
            let margin = texts(&document).into_iter().filter(|(n, _)| {
                number(*n, "x") > 0.66 * sheet && n.attribute("text-anchor") == Some("start")
            });
            let mut at: Vec<(f64, f64)> =
                margin.map(|(n, _)| (number(n, "y"), number(n, "font-size"))).collect();
            at.sort_by(|a, b| a.0.total_cmp(&b.0));
            for pair in at.windows(2) {
                assert!(pair[1].0 - pair[0].0 >= pair[0].1, "{name}: {pair:?}");
            }
        }
    }
}

#[test]
fn every_step_is_numbered_and_every_line_named() {
    let detected = fixture::detected();
    let plot = svg::trace(&detected);
    let document = Document::parse(&plot).unwrap();
    let seen: Vec<String> = texts(&document).into_iter().map(|(_, t)| t).collect();
    for n in 1..=40 {
        assert!(seen.contains(&n.to_string()), "step {n}");
    }
    assert!(seen.iter().any(|t| t == "time from the first sample, min"));

    let plot = svg::trace(&fixture::overload());
    let document = Document::parse(&plot).unwrap();
    let seen: Vec<String> = texts(&document).into_iter().map(|(_, t)| t).collect();
    for text in [
        "setpoint 14.21 V",
        "rest 12.52 V",
        "draining below 13.00 V",
        "module",
        "fans",
        "lamps",
        "running",
        "bus voltage, V",
        "engine speed, rpm",
        "time from the first sample, s",
    ] {
        assert!(seen.iter().any(|t| t == text), "{text}");
    }
    // Cranking leaves the scale, so that 12 to 15 V stays legible, and is told.
    assert!(seen.iter().any(|t| t.starts_with("down to 7.8") || t.starts_with("down to 7.9")));

    let step = svg::step(&fixture::overload(), 0);
    for text in ["1 · fans on, 60.0 s", "baseline 14.21 V", "trough 13.22 V", "settled 13.62 V"] {
        assert!(step.contains(text), "{text}");
    }
    let speed = svg::speed(&fixture::overload()).unwrap();
    assert!(speed.contains("pumps + fans: keeps up from 1200 rpm (1100 to 1250)"));
}

/// A telephone shows a picture at about 336 of its pixels: the smallest letters
/// that are read without effort there are 10 pixels high (common practice, no source).
#[test]
fn letters_of_the_narrow_plots_can_be_read() {
    let diagnosis = fixture::overload();
    let others = [svg::speed_narrow, svg::deficit_narrow, svg::heat_narrow, svg::output_narrow];
    let others = others.into_iter().map(|draw| draw(&diagnosis).unwrap());
    for plot in others.chain([svg::trace_narrow(&diagnosis)]) {
        let document = Document::parse(&plot).unwrap();
        let scale = 336.0 / number(document.root_element(), "width");
        for (node, text) in texts(&document) {
            assert!(number(node, "font-size") * scale >= 10.0, "{text}");
        }
    }
    let narrow = svg::speed_narrow(&diagnosis).unwrap();
    for text in ["pumps + fans", "keeps up from 1200 rpm (1100 to 1250)", "setpoint 14.21 V"] {
        assert!(narrow.contains(&format!("{text}\n")), "{text}");
    }
}

#[test]
fn the_plot_of_a_step_says_what_lies_past_its_end_and_what_is_a_peak() {
    let mut diagnosis = fixture::overload();
    let step = &mut diagnosis.load_steps[0];
    step.trough_at_s = 103.0;
    assert!(svg::step(&diagnosis, 0).contains("trough → 13.22 V"));
    let step = &mut diagnosis.load_steps[5];
    step.trough.value = 14.3;
    assert!(svg::step(&diagnosis, 5).contains("peak 14.30 V"));
    diagnosis.load_steps[0].load = Some("fan on".into());
    assert!(svg::step(&diagnosis, 0).contains("fan on: on"));
}

/// Pixels along the axes are read off the axes' own labels.
#[test]
fn the_sheet_is_drawn_between_its_points_only() {
    let mut diagnosis = fixture::overload();
    let output = diagnosis.output.as_mut().unwrap();
    // A bench that began at 1500 rpm with 16 A.
    output.sheet.as_mut().unwrap().points.remove(0);
    let plot = svg::output(&diagnosis).unwrap();
    let document = Document::parse(&plot).unwrap();
    let labels = texts(&document);
    let along = |label: &str, coordinate: &str| {
        let node = labels.iter().find(|(_, t)| t == label).unwrap_or_else(|| panic!("{label}")).0;
        number(node, coordinate)
    };
    let per_rpm = (along("6000", "x") - along("2000", "x")) / 4000.0;
    let rpm = |x: f64| 2000.0 + (x - along("2000", "x")) / per_rpm;
    let drawn = document.descendants().filter(|n| n.attribute("fill") == Some("none"));
    let strokes = drawn.filter(|n| n.has_tag_name("path")).flat_map(paths::lines);
    let curve = strokes.max_by_key(Vec::len).unwrap();
    let xs: Vec<f64> = curve.iter().map(|(x, _)| *x).collect();
    assert!((rpm(xs[0]) - 1500.0).abs() < 20.0, "{}", rpm(xs[0]));
    assert!((rpm(*xs.last().unwrap()) - 8000.0).abs() < 20.0, "{}", rpm(*xs.last().unwrap()));
    for text in [
        "alternator speed, rpm",
        "alternator current, A",
        "sheet at 13.5 V, 23 °C",
        "seen at full output, 90 %",
        "at least: the setpoint was held",
        "sheet at this heat and voltage",
    ] {
        assert!(labels.iter().any(|(_, t)| t == text), "{text}");
    }
    // Without alternator speed the sheet has no place.
    let points = |d: &mut Diagnosis, change: fn(&mut OutputPoint)| {
        d.output.as_mut().unwrap().points.iter_mut().for_each(change);
    };
    points(&mut diagnosis, |p| p.alternator_rpm = None);
    let plot = svg::output(&diagnosis).unwrap();
    assert!(plot.contains("engine speed, rpm") && !plot.contains("sheet at"));
    points(&mut diagnosis, |p| p.engine_rpm = None);
    assert_eq!(svg::output(&diagnosis), None);
}

#[test]
fn a_gap_in_the_log_is_a_gap_in_the_line() {
    let diagnosis = fixture::overload();
    let plot = svg::trace(&diagnosis);
    let document = Document::parse(&plot).unwrap();
    // The time axis, from its own labels: pixels of 100 s and 400 s.
    let axis = texts(&document);
    let pixel = |label: &str| {
        let lowest = axis.iter().filter(|(_, t)| t == label).map(|(n, _)| *n);
        let node = lowest.max_by(|a, b| number(*a, "y").total_cmp(&number(*b, "y"))).unwrap();
        number(node, "x")
    };
    let per_second = (pixel("400") - pixel("100")) / 300.0;
    let at = |t: f64| pixel("100") + (t - 100.0) * per_second;
    let traces = paths::all_lines(&document).into_iter().filter(|line| line.len() > 100);
    let xs: Vec<f64> = traces.flatten().map(|(x, _)| x).collect();
    assert!(xs.iter().any(|&x| (at(180.0)..at(182.0)).contains(&x)));
    assert!(!xs.iter().any(|&x| (at(183.0)..at(186.0)).contains(&x)));
}

#[test]
fn draws_a_plot_of_nothing() {
    let minimal = fixture::minimal();
    assert_eq!(svg::speed(&minimal), None);
    assert_eq!(svg::output(&minimal), None);
    assert_eq!(svg::deficit(&minimal), None);
    assert_eq!(svg::heat(&minimal), None);
    assert!(svg::trace(&minimal).contains("voltage trace not in this log"));
    assert!(svg::step(&minimal, 7).contains("not in this log"));
    let mut broken = fixture::overload();
    broken.picture.voltage.low.iter_mut().for_each(|v| *v = Some(f64::NAN));
    broken.source.duration_s = f64::INFINITY;
    broken.load_steps[0].baseline_v.value = f64::NAN;
    broken.load_steps[0].trough_at_s = f64::NAN;
    broken.picture.steps.clear();
    let output = broken.output.as_mut().unwrap();
    output.points[0].amps_a.high = f64::INFINITY;
    output.points[1].amps_a.value = f64::NAN;
    output.points[2].alternator_rpm = Some(f64::NAN);
    output.sheet.as_mut().unwrap().points.clear();
    for plot in plots(&broken) {
        assert!(Document::parse(&plot).is_ok());
        assert!(!plot.contains("NaN"));
    }
}

#[test]
fn amps_short_are_drawn_by_speed_with_where_they_end() {
    let mut diagnosis = fixture::overload();
    let wide = svg::deficit(&diagnosis).unwrap();
    let document = Document::parse(&wide).unwrap();
    let seen: Vec<String> = texts(&document).into_iter().map(|(_, t)| t).collect();
    for text in ["alternator shortfall, A", "engine speed, rpm", "1750 rpm"] {
        assert!(seen.iter().any(|t| t == text), "{text}");
    }
    let name = "pumps + fans + AC clutch and blower";
    assert!(seen.iter().filter(|t| t.starts_with(name)).count() >= 2, "label and key");
    // A car that is nowhere short has no such picture.
    for point in &mut diagnosis.operating_points {
        point.implied_deficit_a = None;
        point.regulation_shortfall_a = None;
    }
    assert_eq!(svg::deficit(&diagnosis), None);
}

#[test]
fn a_pair_is_drawn_with_its_volts_minutes_and_degrees() {
    let wide = svg::heat(&fixture::overload()).unwrap();
    let document = Document::parse(&wide).unwrap();
    let seen: Vec<String> = texts(&document).into_iter().map(|(_, t)| t).collect();
    // Middles at 82 s and 291 s: 209 s are 3.5 min.
    let says = "−0.07 V in 3.5 min, 82 to 96 °C coolant, not held late";
    for text in ["pumps + fans, 840 rpm", says, "bus voltage, V"] {
        assert!(seen.iter().any(|t| t == text), "{text}: {seen:?}");
    }
    let dots = document.descendants().filter(|n| n.has_tag_name("circle")).count();
    assert_eq!(dots, 4, "early and late, in the row and in the key");
}
