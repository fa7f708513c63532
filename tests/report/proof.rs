//! The proof of a repair: the page, its picture, tables, terminal and folder.

use std::collections::HashSet;
use std::fs;
use std::path::Path;

use anstream::adapter::strip_str;
use roxmltree::Document;
use stiffbus::comparison::{Comparison, Outcome};
use stiffbus::estimate::{Estimate, Grade};
use stiffbus::report::{Kind, Overwrite, Product, ReportError, proof, svg, write_folder};
use unicode_width::UnicodeWidthStr;

use crate::fixture::{self, proofs};
use crate::paths;

const MOST_BYTES: usize = 300_000;

fn every() -> Vec<(&'static str, Comparison)> {
    let mut all = proofs::all().to_vec();
    all.extend([
        ("hostile", proofs::hostile()),
        ("vast", proofs::vast()),
        ("bare", proofs::bare()),
    ]);
    all
}

/// What a reader sees: the page without its style and its tags.
fn words(page: &str) -> String {
    let (_, body) = page.split_once("<body>").unwrap();
    let mut words = String::new();
    for piece in body.split('<') {
        words.push_str(piece.split_once('>').map_or(piece, |(_, text)| text));
        words.push(' ');
    }
    flowing(&words)
}

/// One line, its spaces alike.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

// ---------------------------------------------------------------- the page

#[test]
fn the_page_states_outcome_and_reasons_in_order() {
    let mut comparison = proofs::proof("soaked");
    assert_eq!(comparison.outcome, Outcome::RepairProven);
    comparison.job = proofs::job();
    let seen = words(&proof::html(&comparison));
    let place =
        |text: &str| seen.find(&flowing(text)).unwrap_or_else(|| panic!("no {text:?} in {seen}"));
    let order = [
        "the workshop",
        "Repair proven",
        "The repair worked.",
        "A. Customer",
        "larger alternator; smaller pulley",
        "Before the repair",
        "After the repair",
        "The same load step, before and after",
        "Default criteria",
        "Safety before the next test",
        "Technical appendix",
        &comparison.headline,
        "The same loads and speed, before and after",
        "The logs, and how to check this page",
    ];
    let places: Vec<usize> = order.iter().map(|text| place(text)).collect();
    assert!(places.is_sorted(), "{places:?}");
    for criterion in &comparison.criteria {
        place(&criterion.asked);
        place(&criterion.before_seen);
        place(&criterion.after_seen);
    }
    let [before, after] = [&comparison.before, &comparison.afters[0].side];
    for side in [before, after] {
        place(&side.source.sha256);
        place(&side.source.file);
    }
    for text in [
        &comparison.seal_sha256,
        &format!("Written by stiffbus {}", comparison.version),
        "stiffbus verify FOLDER",
        "4,371 read, 0 skipped",
        "fan is fan relay (same name but for words like relay or state)",
        "Assumed, not shown by the logs: ",
        "comparison.json",
    ] {
        place(text);
    }
    assert!(!seen.contains("Remarks"), "not stated");
    assert!(!seen.contains("What is missing"), "proven");
}

#[test]
fn every_matched_point_and_step_stands_on_the_page() {
    let comparison = proofs::proof("cold");
    let page = proof::html(&comparison);
    let seen = words(&page);
    let after = &comparison.afters[0];
    for point in &after.points {
        for side in [&point.before, &point.after] {
            let volts = stiffbus::format::VOLT.value(&side.voltage_v);
            let range = stiffbus::format::VOLT.range(&side.voltage_v);
            let place = format!("at {}", stiffbus::format::RPM.of(side.rpm.unwrap()));
            assert!(seen.contains(&format!("{volts} {range}")), "{volts} {range}");
            assert!(seen.contains(&place), "{place}");
        }
        assert!(seen.contains(&point.conditions_how));
    }
    // Cooler and faster after: better there proves nothing, and the page says so.
    assert!(seen.contains("better, but under easier conditions"));
    assert!(seen.contains("easier cooler: hot before, warm after"));
    assert_eq!(page.matches("loads on then: ").count(), after.steps.len());
    for u in &after.unmatched {
        assert!(seen.contains(&flowing(&stiffbus::format::capital(&u.why))), "{}", u.why);
    }
    // Not proven: what is missing is listed.
    assert!(!seen.contains("What is missing"));
    let comparison = proofs::proof("thin");
    let seen = words(&proof::html(&comparison));
    assert!(seen.contains("What is missing for a proof") && !comparison.missing.is_empty());
    for item in &comparison.missing {
        assert!(seen.contains(&flowing(item)), "{item}");
    }
}

#[test]
fn each_outcome_is_told_by_word_and_not_by_colour_alone() {
    let mut comparison = proofs::proof("soaked");
    let outcomes = [
        (Outcome::RepairProven, "Repair proven", "tone good"),
        (Outcome::ImprovedNotProven, "Improved, not proven", "tone fair"),
        (Outcome::NoChange, "No change", "tone open"),
        (Outcome::NotComparable, "Not comparable", "tone open"),
        (Outcome::Worse, "Worse", "tone bad"),
    ];
    let mut meanings = HashSet::new();
    for (outcome, word, tone) in outcomes {
        comparison.outcome = outcome;
        let page = proof::html(&comparison);
        assert!(page.contains(&format!("<h1><span class=\"{tone}\">{word}</span></h1>")), "{word}");
        let (_, meaning) = page.split_once("class=\"headline\">").unwrap();
        meanings.insert(meaning.split('<').next().unwrap().to_owned());
    }
    assert_eq!(meanings.len(), 5);
    // A regulator that was set right must not be told as a battery that drained.
    for criterion in &mut comparison.criteria {
        let mended = criterion.id == "setpoint-sound";
        criterion.after = stiffbus::comparison::Reading::Pass;
        criterion.before = match mended {
            true => stiffbus::comparison::Reading::Fail,
            false => stiffbus::comparison::Reading::Pass,
        };
    }
    comparison.outcome = Outcome::RepairProven;
    let seen = words(&proof::html(&comparison));
    assert!(seen.contains("The regulator holds a correct voltage."), "{seen}");
    assert!(!seen.contains("no longer run down"));
    for criterion in &mut comparison.criteria {
        std::mem::swap(&mut criterion.before, &mut criterion.after);
    }
    comparison.outcome = Outcome::Worse;
    let seen = words(&proof::html(&comparison));
    assert!(seen.contains("The regulator now holds a voltage outside its limits."), "{seen}");
}

#[test]
fn what_is_not_known_of_a_job_is_left_blank_or_out() {
    let mut comparison = proofs::proof("soaked");
    comparison.afters[0].side.source.started_at = None;
    let seen = words(&proof::html(&comparison));
    for name in ["Date", "Vehicle", "Parts", "Technician", "Signature"] {
        assert!(seen.contains(&format!("{name} ________")), "{name} in {seen}");
    }
    for name in ["Customer", "Work order", "Remarks"] {
        assert!(!seen.contains(name), "{name}");
    }
}

#[test]
fn only_a_proven_repair_is_called_a_proof() {
    let mut comparison = proofs::proof("soaked");
    assert!(proof::html(&comparison).contains("<title>Proof of repair: "));
    comparison.outcome = Outcome::ImprovedNotProven;
    let page = proof::html(&comparison);
    assert!(page.contains("<title>Repair check: ") && !page.contains("Proof of repair"));
    // Agreed only if somebody stated criteria.
    assert!(page.contains("Default criteria") && !page.contains("greed criteria"));
    comparison.acceptance.hold_s = 30.0;
    assert!(proof::html(&comparison).contains("Agreed criteria"));
}

#[test]
fn names_stay_text() {
    let page = proof::html(&proofs::hostile());
    let (_, body) = page.split_once("</style>").unwrap();
    for tag in ["<script", "<img", "<!--", "<iframe", "<a ", "<link", "<b>"] {
        assert!(!body.to_lowercase().contains(tag), "{tag}");
    }
    assert!(body.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    assert!(!body.split('<').skip(1).any(|tag| {
        let tag = tag.split('>').next().unwrap_or("");
        tag.contains("onerror=") || tag.contains("onload=")
    }));
    assert_eq!(page.chars().find(|c| c.is_control() && *c != '\n'), None);
    assert!(!page.contains('\u{202e}'));
    let text = proofs::hostile().terminal(Some(Path::new("a\u{1b}[31mb")), 100);
    let shown = strip_str(&text).to_string();
    assert_eq!(shown.chars().find(|c| c.is_control() && *c != '\n'), None);
}

#[test]
fn the_page_loads_nothing_and_its_references_hold() {
    for (name, comparison) in every() {
        let page = proof::html(&comparison);
        assert!(page.contains("default-src 'none'"), "{name}");
        let rest = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for way in ["http:", "https:", "url(", "@import", "src=\"", "href=", "<script"] {
            assert!(!rest.contains(way), "{name}: {way}");
        }
        let values = |key: &str| -> Vec<String> {
            page.split(key).skip(1).filter_map(|s| s.split('"').next()).map(Into::into).collect()
        };
        let ids = values(" id=\"");
        let unique: HashSet<&String> = ids.iter().collect();
        assert_eq!(unique.len(), ids.len(), "{name}: {ids:?}");
        for reference in values("aria-labelledby=\"") {
            for id in reference.split(' ') {
                assert!(unique.contains(&id.to_owned()), "{name}: {id}");
            }
        }
    }
}

fn many<T: Clone>(items: &[T]) -> Vec<T> {
    items.iter().cycle().take(20 * items.len()).cloned().collect()
}

/// Two sheets of paper hold so many rows; what the browser makes of them is looked at
/// by eye.
#[test]
fn what_is_printed_does_not_grow_with_the_log() {
    let mut long = proofs::proof("itself");
    let after = &mut long.afters[0];
    after.unmatched = many(&proofs::proof("cold").afters[0].unmatched);
    after.points = many(&after.points);
    after.steps = many(&after.steps);
    after.keep_up = many(&after.keep_up);
    after.side.source.notices = vec!["a choice".into(); 50];
    for comparison in
        [proofs::proof("soaked"), proofs::proof("cold"), proofs::proof("itself"), long]
    {
        let page = proof::html(&comparison);
        let printed = |tag: &str| {
            page.split(tag)
                .skip(1)
                .filter(|s| !s.split(tag).next().unwrap().contains("off-paper"))
                .count()
        };
        let rows = printed("<tr role");
        // Heads, criteria, points, steps, keep-up, the account of the logs.
        assert!(rows <= 5 + 4 + 7 + 3 + 3 + 11, "{rows} rows");
        assert!(printed("<li") <= 16, "{} items", printed("<li"));
    }
}

// ------------------------------------------------------------- the picture

#[test]
fn the_picture_is_bounded_xml_that_says_what_it_shows() {
    for (name, comparison) in every() {
        let pictures = [svg::proof(&comparison), svg::proof_narrow(&comparison)];
        if comparison.picture.is_none() {
            assert_eq!(pictures, [None, None], "{name}");
            continue;
        }
        for svg in pictures.map(Option::unwrap) {
            assert!(svg.len() <= MOST_BYTES, "{name}: {} bytes", svg.len());
            let document = Document::parse(&svg).unwrap_or_else(|e| panic!("{name}: {e}"));
            let root = document.root_element();
            let told = |tag: &str| {
                let node = root.children().find(|n| n.has_tag_name(tag)).unwrap();
                node.text().unwrap_or("").to_owned()
            };
            assert!(told("title").contains(comparison.outcome.words()), "{name}");
            assert!(told("desc").contains("At 0 s"), "{name}");
            for node in document.descendants().filter(|n| n.is_element()) {
                let ours = ["svg", "title", "desc", "rect", "path", "circle", "text"];
                assert!(ours.contains(&node.tag_name().name()), "{name}: {:?}", node.tag_name());
            }
        }
    }
}

/// Dash, weight, marks and words tell the logs apart where colours do not.
#[test]
fn every_line_is_named_at_its_end_and_drawn_its_own_way() {
    for name in ["soaked", "both", "four"] {
        let comparison = proofs::proof(name);
        let svg = svg::proof(&comparison).unwrap();
        let document = Document::parse(&svg).unwrap();
        let texts: Vec<&str> = document
            .descendants()
            .filter(|n| n.has_tag_name("text"))
            .filter_map(|n| n.text().map(str::trim))
            .collect();
        let traces = &comparison.picture.as_ref().unwrap().traces;
        for trace in traces {
            let volts = stiffbus::format::VOLT.of(trace.settled_v.as_ref().unwrap().value);
            let label = format!("{} {volts}", trace.name);
            assert!(texts.contains(&label.as_str()), "{name}: {label} in {texts:?}");
            let step = format!("step at {}", stiffbus::format::SECOND.of(trace.at_s));
            let legend = format!("{}: ", trace.name);
            assert!(texts.iter().any(|t| t.starts_with(&legend) && t.ends_with(&step)), "{legend}");
        }
        for text in ["setpoint", "the battery discharges", "the load comes on", "blower comes on"] {
            assert!(texts.iter().any(|t| t.contains(text)), "{name}: {text} in {texts:?}");
        }
        // The first log is dashed: many short lines; the next one a single long one.
        let lines = |ink: &str| -> Vec<usize> {
            let drawn = document.descendants().filter(|n| n.has_tag_name("path"));
            let own = drawn.filter(|n| n.attribute("stroke") == Some(ink));
            own.flat_map(paths::lines).map(|line| line.len()).collect()
        };
        assert!(lines("#A65A00").len() > 20, "{name}: {:?}", lines("#A65A00"));
        assert!(lines("#0F4C81").iter().any(|&points| points > 100), "{name}");
        // Dots, one by one or many as one path with round ends.
        let dots =
            document.descendants().filter(|n| n.attribute("stroke-linecap") == Some("round"));
        let marks = document.descendants().filter(|n| n.has_tag_name("circle")).count()
            + dots.flat_map(paths::lines).count();
        assert_eq!(marks > 3, traces.len() > 2, "{name}: {marks} marks");
    }
}

// -------------------------------------------------------------- the tables

fn rows(text: &str) -> Vec<std::collections::HashMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().collect::<Result<_, _>>().unwrap()
}

#[test]
fn the_tables_hold_every_point_step_and_criterion() {
    let comparison = proofs::proof("both");
    let count = |of: fn(&stiffbus::comparison::After) -> usize| -> usize {
        comparison.afters.iter().map(of).sum()
    };
    let points = rows(&proof::points_csv(&comparison));
    assert_eq!(points.len(), count(|a| a.points.len()));
    let point = comparison.afters[0].points.iter().find(|p| p.gain_a.is_some()).unwrap();
    let row = points.iter().find(|r| r["log"] == "after 1" && !r["gain_a"].is_empty()).unwrap();
    assert_eq!(row["loads"], point.loads.join(" + "));
    assert_eq!(row["conditions"], point.conditions.word());
    assert_eq!(row["standing"], point.standing.words());
    let shown = |key: &str, e: &Estimate| {
        let number = |key: String| row[&key].parse::<f64>().unwrap();
        for (end, value) in [("", e.value), ("_low", e.low), ("_high", e.high)] {
            let written = number(format!("{key}{end}"));
            assert!((written - value).abs() <= 5.1e-7, "{key}{end}: {written} for {value}");
        }
        assert_eq!(row[&format!("{key}_grade")], e.grade.word());
    };
    shown("before_voltage_v", &point.before.voltage_v);
    shown("after_voltage_v", &point.after.voltage_v);
    shown("before_implied_deficit_a", point.before.implied_deficit_a.as_ref().unwrap());
    shown("change_v", &point.change_v);
    shown("gain_a", point.gain_a.as_ref().unwrap());
    // However small, never rounded to a certainty.
    let p: f64 = row["test_p"].parse().unwrap();
    assert!(p > 0.0 && (p / point.test.p - 1.0).abs() < 5e-3, "{p} for {}", point.test.p);

    let steps = rows(&proof::steps_csv(&comparison));
    assert_eq!(steps.len(), count(|a| a.steps.len()));
    let none_seen = steps.iter().filter(|r| r["before_recovery_s"].is_empty()).count();
    let never = comparison.afters.iter().flat_map(|a| &a.steps);
    assert_eq!(none_seen, never.filter(|s| s.before.recovery_s.is_none()).count());

    let criteria = rows(&proof::criteria_csv(&comparison));
    assert_eq!(criteria.len(), comparison.criteria.len() * 3);
    let held = |log: &str| {
        let row = criteria.iter().find(|r| r["log"] == log && r["criterion"] == "loads-held");
        row.unwrap()["after"].clone()
    };
    for after in &comparison.afters {
        let reading = after.criteria.iter().find(|c| c.id == "loads-held").unwrap().after;
        assert_eq!(held(&after.side.name), reading.words());
    }
    assert_eq!(held("all after"), "pass");
    // One later log speaks for itself.
    let alone = rows(&proof::criteria_csv(&proofs::proof("soaked")));
    assert_eq!(alone.len(), 4);
}

#[test]
fn cells_cannot_run_in_a_spreadsheet() {
    let comparison = proofs::hostile();
    let tables = [
        proof::points_csv(&comparison),
        proof::steps_csv(&comparison),
        proof::criteria_csv(&comparison),
    ];
    for table in &tables {
        let mut quoted = 0;
        for (head, cell) in rows(table).iter().flatten() {
            if cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
                assert!(cell.parse::<f64>().is_ok(), "{head}: {cell:?}");
            }
            assert!(!cell.contains('\u{1b}'), "{head}");
            quoted += usize::from(cell.starts_with('\''));
        }
        assert!(quoted >= 2);
    }
}

// ------------------------------------------------------------ the terminal

#[test]
fn the_outcome_is_the_first_line_and_what_to_do_next_the_last() {
    let comparison = proofs::proof("soaked");
    let text = comparison.terminal(Some(Path::new("out/blue")), 100);
    let plain = strip_str(&text).to_string();
    let lines: Vec<&str> = plain.lines().collect();
    assert!(
        lines[0].starts_with("REPAIR PROVEN  hot-idle-old-alternator.csv, then new-"),
        "{plain}"
    );
    assert!(lines[lines.len() - 2].ends_with("out/blue/proof.html"), "{plain}");
    assert!(lines[lines.len() - 1].ends_with("stiffbus verify out/blue"), "{plain}");
    let whole = flowing(&plain);
    assert!(whole.contains(&flowing(&comparison.headline)), "{whole}");
    for text in [
        "not shown: only 58 s without a",
        "fail: 1.59 V (1.27 to",
        "pass: 97 s without a break",
        "12.59 (12.43 to 12.75)",
    ] {
        assert!(whole.contains(text), "{text:?} in {plain}");
    }
    assert!(!whole.contains("What is missing"));
    let text = strip_str(&proofs::proof("thin").terminal(None, 100)).to_string();
    assert!(
        text.contains(
            "What is missing for a proof\n- the same operating point under like conditions"
        )
    );
    assert!(text.contains("better (unknown)"), "{text}");
    assert!(!text.contains("proof.html"));
}

/// A screen of 40 lines and the room that long names take on a narrower one.
#[test]
fn the_summary_fits_a_screen() {
    for (name, comparison) in every() {
        for (width, most) in [(60, 62), (80, 48), (100, 44), (140, 40)] {
            let text = comparison.terminal(Some(Path::new("out/blue")), width);
            let shown = strip_str(&text).to_string();
            let lines = shown.lines().count();
            if name != "hostile" {
                assert!(lines <= most, "{name} at {width}: {lines} lines\n{shown}");
            }
            for line in shown.lines() {
                assert!(line.width() <= width, "{name} at {width}: {line:?}");
            }
        }
    }
}

// -------------------------------------------------------------- the folder

fn names(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).unwrap();
    let mut names: Vec<String> =
        entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[test]
fn writes_every_file_and_the_same_twice() {
    let home = tempfile::tempdir().unwrap();
    let (a, b) = (home.path().join("deep/a"), home.path().join("b"));
    let comparison = proofs::proof("both");
    let written = write_folder(&comparison, &a, Overwrite::SameLog).unwrap();
    assert!(!written.replaced);
    // No plan was given, so nothing was predicted.
    let expected = [
        "proof.html",
        "comparison.json",
        "proof.svg",
        "matched_points.csv",
        "matched_steps.csv",
        "criteria.csv",
    ];
    assert_eq!(written.files, expected);
    let mut listed = written.files.clone();
    listed.sort();
    assert_eq!(names(&a), listed);
    write_folder(&comparison, &b, Overwrite::SameLog).unwrap();
    for file in names(&a) {
        assert_eq!(fs::read(a.join(&file)).unwrap(), fs::read(b.join(&file)).unwrap(), "{file}");
    }
    let read: Comparison =
        serde_json::from_slice(&fs::read(a.join("comparison.json")).unwrap()).unwrap();
    assert!(stiffbus::compare::is_sealed(&read));
    // The page is drawn from what is written, so it can be drawn again from it.
    assert_eq!(fs::read_to_string(a.join("proof.html")).unwrap(), proof::html(&read));
    let bare = write_folder(&proofs::bare(), &home.path().join("c"), Overwrite::SameLog).unwrap();
    assert!(!bare.files.contains(&"proof.svg".to_owned()));
}

#[test]
fn replaces_the_proof_of_the_same_logs_and_no_other() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("proof");
    let soaked = proofs::proof("soaked");
    write_folder(&soaked, &dir, Overwrite::SameLog).unwrap();
    fs::write(dir.join("invoice.pdf"), "mine").unwrap();
    fs::write(dir.join("step-01.svg"), "mine too: no proof writes it").unwrap();
    let mut changed = soaked.clone();
    changed.headline = "Second look.".into();
    assert!(write_folder(&changed, &dir, Overwrite::SameLog).unwrap().replaced);
    assert!(fs::read_to_string(dir.join("proof.html")).unwrap().contains("Second look."));
    assert_eq!(fs::read_to_string(dir.join("invoice.pdf")).unwrap(), "mine");
    assert!(dir.join("step-01.svg").exists());

    let before = fs::read(dir.join("proof.html")).unwrap();
    // Another log after, one more, and the same two the other way round.
    let mut turned = soaked.clone();
    std::mem::swap(&mut turned.before, &mut turned.afters[0].side);
    for other in [proofs::proof("cold"), proofs::proof("both"), turned] {
        let refused = write_folder(&other, &dir, Overwrite::SameLog).unwrap_err();
        assert!(matches!(refused, ReportError::OtherLogs { .. }), "{refused}");
        let said = refused.to_string();
        assert!(said.contains("hot-idle-old-alternator.csv before"), "{said}");
        assert!(said.contains("new-alternator-soaked.csv after"), "{said}");
        assert!(said.contains("--out") && said.contains("--force"), "{said}");
        assert_eq!(fs::read(dir.join("proof.html")).unwrap(), before);
    }
    write_folder(&proofs::proof("cold"), &dir, Overwrite::Force).unwrap();
    assert!(fs::read_to_string(dir.join("comparison.json")).unwrap().contains("alternator-cold"));
    assert!(dir.join("invoice.pdf").exists());
    assert_eq!(names(home.path()), ["proof"]);
}

#[test]
fn a_report_and_a_proof_never_replace_each_other_unasked() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("out");
    let (comparison, diagnosis) = (proofs::proof("soaked"), fixture::overload());
    write_folder(&comparison, &dir, Overwrite::SameLog).unwrap();
    let refused = write_folder(&diagnosis, &dir, Overwrite::SameLog).unwrap_err();
    let (holds, made) = (Kind::Proof, Kind::Report);
    let is = |e: &ReportError, a, b| matches!(e, ReportError::AnotherKind { holds, made, .. } if (*holds, *made) == (a, b));
    assert!(is(&refused, holds, made), "{refused}");
    let said = refused.to_string();
    assert!(
        said.contains("holds the proof of") && said.contains("a report does not replace"),
        "{said}"
    );
    fs::write(dir.join("my notes.txt"), "belt replaced").unwrap();

    // By force the proof gives way whole: no page of it is left beside the report.
    write_folder(&diagnosis, &dir, Overwrite::Force).unwrap();
    let left = names(&dir);
    assert!(left.iter().any(|n| n == "report.html") && left.iter().any(|n| n == "my notes.txt"));
    assert!(!left.iter().any(|name| Kind::Proof.writes(name)), "{left:?}");

    let refused = write_folder(&comparison, &dir, Overwrite::SameLog).unwrap_err();
    assert!(is(&refused, made, holds), "{refused}");
    write_folder(&comparison, &dir, Overwrite::Force).unwrap();
    let left = names(&dir);
    assert!(!left.iter().any(|n| n == "report.html" || n.starts_with("step-")), "{left:?}");
    assert!(dir.join("my notes.txt").exists());
    assert_eq!(names(home.path()), ["out"]);
}

#[test]
fn refuses_what_is_no_proof_and_says_so() {
    let home = tempfile::tempdir().unwrap();
    let comparison = proofs::proof("soaked");
    let file = home.path().join("a file");
    fs::write(&file, "mine").unwrap();
    let refused = write_folder(&comparison, &file, Overwrite::Force).unwrap_err();
    assert!(matches!(refused, ReportError::NotAFolder { .. }), "{refused}");
    let refused = write_folder(&comparison, &file.join("p"), Overwrite::Force).unwrap_err();
    assert!(refused.to_string().contains("a file"), "{refused}");
    assert_eq!(fs::read_to_string(&file).unwrap(), "mine");

    let dir = home.path().join("photos");
    let markers = [None, Some("{}"), Some("x"), Some("{\"schema\":\"stiffbus.comparison.v1\"}")];
    for marker in markers {
        fs::create_dir(&dir).unwrap();
        fs::write(dir.join("beach.jpg"), "sand").unwrap();
        if let Some(text) = marker {
            fs::write(dir.join("comparison.json"), text).unwrap();
        }
        let refused = write_folder(&comparison, &dir, Overwrite::SameLog).unwrap_err();
        assert!(matches!(refused, ReportError::NotAReport { kind: Kind::Proof, .. }), "{refused}");
        let said = refused.to_string();
        assert!(said.contains("not a proof folder") && said.contains("comparison.json"), "{said}");
        fs::remove_dir_all(&dir).unwrap();
    }
    assert_eq!(names(home.path()), ["a file"]);
}

#[test]
fn what_is_less_than_measured_says_so_on_the_page() {
    let mut comparison = proofs::proof("soaked");
    let point = &mut comparison.afters[0].points[0];
    point.before.voltage_v = Estimate::new(13.37, 13.11, 13.63, Grade::Assumed, "invented");
    let seen = words(&proof::html(&comparison));
    assert!(seen.contains("13.37 V 13.11 to 13.63 , assumed"), "{seen}");
}
