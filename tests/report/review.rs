//! What is shown of a review: page, pictures, terminal.

use std::collections::HashSet;
use std::path::Path;

use anstream::adapter::strip_str;
use stiffbus::report::Product;
use stiffbus::report::review::html;
use stiffbus::review::{Review, review};
use unicode_width::UnicodeWidthStr;

use crate::invented_day::{day, hostile};

fn all() -> Vec<(&'static str, Review)> {
    vec![
        ("eight", day(8, 2)),
        ("one", day(1, 1)),
        ("fleet", day(1000, 400)),
        ("workshop", day(1000, 40)),
        ("thousand", day(1000, 1)),
        ("hostile", hostile()),
        ("none", review(Vec::new(), Vec::new())),
    ]
}

/// The page without style and script.
fn body(page: &str) -> String {
    let mut text = page.to_owned();
    for tag in ["style", "script"] {
        let (head, rest) = text.split_once(&format!("<{tag}>")).expect(tag);
        let (_, rest) = rest.split_once(&format!("</{tag}>")).expect(tag);
        text = format!("{head}{rest}");
    }
    text
}

#[test]
fn a_page_of_a_thousand_logs_stays_small() {
    for (name, review) in all() {
        let page = html(&review);
        assert!(page.len() <= 2_000_000, "{name}: {} bytes", page.len());
        let rows = page.matches("<tr data-r=").count();
        assert_eq!(rows, review.rows.len(), "{name}: a row a log");
    }
}

#[test]
fn the_page_is_well_formed_but_for_what_html_leaves_open() {
    for (name, review) in all() {
        let mut text = body(&html(&review)).replace("<!DOCTYPE html>", "");
        // Void elements and bare attributes are HTML's own.
        for tag in ["<meta ", "<input "] {
            while let Some(at) = text.find(tag) {
                let end = at + text[at..].find('>').expect("a closed tag");
                text.replace_range(at..=end, "");
            }
        }
        let text = text.replace("<div class=\"controls\" hidden>", "<div class=\"controls\">");
        let parsed = roxmltree::Document::parse(&text);
        let parsed = parsed.unwrap_or_else(|error| panic!("{name}: {error}"));
        let count = |tag| parsed.descendants().filter(|node| node.has_tag_name(tag)).count();
        assert_eq!((count("h1"), count("main")), (1, 1), "{name}");
        for svg in parsed.descendants().filter(|n| n.tag_name().name() == "svg") {
            let told = svg.attribute("aria-label").or(svg.attribute("aria-labelledby"));
            assert!(told.is_some() && svg.attribute("role") == Some("img"), "{name}");
        }
    }
}

#[test]
fn nothing_is_fetched_and_only_our_script_may_run() {
    for (name, review) in all() {
        let page = html(&review);
        assert!(page.contains("default-src 'none'"), "{name}");
        assert_eq!(page.matches("script-src 'sha256-").count(), 1, "{name}");
        assert!(!page.contains("script-src 'unsafe"), "{name}");
        assert_eq!(page.matches("<script").count(), 1, "{name}");
        let rest = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for way in ["http:", "https:", "url(", "@import", "src=\""] {
            assert!(!rest.contains(way), "{name}: {way}");
        }
        // Links lead to reports below the page, and nowhere else.
        for link in page.split("href=\"").skip(1).filter_map(|rest| rest.split('"').next()) {
            let path = link.strip_prefix("./").unwrap_or_else(|| panic!("{name}: {link}"));
            assert!(path.ends_with("/report.html"), "{name}: {link}");
            assert!(!path.contains([':', '?', '#', ' ', '<', '\'']), "{name}: {link}");
        }
    }
}

#[test]
fn text_of_others_is_shown_and_never_obeyed() {
    let page = html(&hostile());
    assert!(page.contains("&lt;/script&gt;&lt;script&gt;"));
    assert!(!page.contains('\u{1b}'));
    let handlers = body(&page).split('<').skip(1).any(|tag| {
        let tag = tag.split('>').next().unwrap_or("");
        tag.contains(" onerror=") || tag.contains(" onload=") || tag.contains(" onclick=")
    });
    assert!(!handlers);
    let screen = strip_str(&hostile().terminal(None, 120)).to_string();
    assert!(!screen.contains('\u{1b}'));
}

#[test]
fn ids_are_unique_and_every_reference_holds() {
    for (name, review) in all() {
        let page = body(&html(&review));
        let values = |key: &str| -> Vec<String> {
            page.split(key).skip(1).filter_map(|s| s.split('"').next()).map(Into::into).collect()
        };
        let ids = values(" id=\"");
        let unique: HashSet<&String> = ids.iter().collect();
        assert_eq!(unique.len(), ids.len(), "{name}");
        for reference in values("aria-labelledby=\"") {
            assert!(reference.split(' ').all(|id| unique.contains(&id.to_owned())), "{reference}");
        }
    }
}

#[test]
fn what_the_day_came_to_is_the_first_thing_said() {
    let eight = day(8, 2);
    let page = html(&eight);
    let place = |text: &str| page.find(text).unwrap_or_else(|| panic!("no {text:?}"));
    let said = place("All 8 logs fall short");
    let sentence = place("8 logs of 2 cars: 8 fall short.");
    let worst = place("Worst: car-");
    assert!(said < sentence && sentence < worst && worst < place("id=\"logs\""));
    // A broken log counts as none that falls short.
    let some = day(17, 1);
    assert!(html(&some).contains("16 of 17 logs fall short"));
    assert!(html(&some).contains("1 could not be read"));
    assert!(html(&some).contains("is no number; the file ends in rubbish"));
}

#[test]
fn every_column_orders_every_log_that_has_something_there() {
    let review = day(100, 7);
    let page = html(&review);
    let heads = page.matches(" data-first=").count();
    let ranks: Vec<Vec<Option<usize>>> = page
        .split("data-r=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .map(|ranks| ranks.split(',').map(|rank| rank.parse().ok()).collect())
        .collect();
    assert_eq!(ranks.len(), 100);
    assert!(ranks.iter().all(|row| row.len() == heads));
    for (row, ranks) in review.rows.iter().zip(&ranks) {
        // Name, car and verdict are known of every log; the rest of those that were read.
        assert!([0, 1, 3].iter().all(|&column| ranks[column].is_some()));
        assert_eq!(ranks[5].is_some(), row.summary().is_some());
    }
    let lowest =
        |k: usize| review.rows[k].summary().map(|s| s.lowest.as_ref().unwrap().voltage_v.value);
    for a in 0..100 {
        for b in 0..100 {
            if let (Some(low_a), Some(low_b)) = (lowest(a), lowest(b)) {
                assert_eq!(ranks[a][5] < ranks[b][5], low_a < low_b);
            }
        }
    }
    // The names as a person counts.
    let by_name = |name: &str| {
        let k = review.rows.iter().position(|row| row.log == name).expect(name);
        ranks[k][0]
    };
    assert!(by_name("car-002/run-2.csv") < by_name("car-002/run-16.csv"));
}

#[test]
fn the_soak_curve_is_drawn_with_interval_setpoint_and_words() {
    let page = html(&day(8, 2));
    for text in [
        "Cold versus hot over the day: car-001",
        "green: the setpoint",
        "Change from the log before, V",
        "id=\"soak-1-title\"",
        "id=\"soak-2-narrow-title\"",
    ] {
        assert!(page.contains(text), "{text}");
    }
    // No log tells the clock: then the logs stand in their order.
    let mut unclocked = day(8, 2);
    for car in &mut unclocked.cars {
        let readings = car.soak.iter_mut().flat_map(|soak| &mut soak.readings);
        readings.for_each(|reading| reading.started = None);
    }
    assert!(html(&unclocked).contains("log, in the order of time"));
}

#[test]
fn the_terminal_takes_a_line_a_log_and_counts_the_rest() {
    for (name, review) in all() {
        for width in [60, 80, 100, 120, 160] {
            let text = review.terminal(Some(Path::new("day")), width);
            let shown = strip_str(&text).to_string();
            let widest = shown.lines().map(UnicodeWidthStr::width).max().unwrap_or(0);
            assert!(widest <= width, "{name}: a line of {widest} at {width}\n{shown}");
            let lines = shown.lines().count();
            assert!(
                lines <= if width < 80 { 150 } else { 90 },
                "{name} at {width}: {lines}\n{shown}"
            );
        }
    }
    let thousand = strip_str(&day(1000, 1).terminal(Some(Path::new("day")), 120)).to_string();
    assert!(thousand.contains("960 more logs are on the page: "), "{thousand}");
    assert!(thousand.lines().last().unwrap().contains("index.html"));
    let rows =
        thousand.lines().filter(|line| line.contains("run-") && line.contains("falls short "));
    assert!(rows.count() >= 40);
    let eight = strip_str(&day(8, 2).terminal(None, 80)).to_string();
    let rows = eight.lines().filter(|line| line.starts_with("car-")).count();
    assert_eq!(rows, 8, "{eight}");
}

#[test]
fn the_same_review_makes_the_same_bytes() {
    assert_eq!(html(&day(20, 3)), html(&day(20, 3)));
    assert_eq!(day(20, 3).terminal(None, 100), day(20, 3).terminal(None, 100));
}
