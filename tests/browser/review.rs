//! `index.html` of a review: sorted, filtered and followed as a reader would.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use tempfile::TempDir;

use crate::invented_day::{HOSTILE, day, hostile};
use crate::support::{Browser, keys};

/// The sample dyno day, reviewed by the tool itself once for all tests.
fn dyno_day() -> &'static Path {
    static DAY: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let (_, page) = DAY.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path().join("the day's review");
        let logs = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/dyno-day");
        let mut command = Command::new(env!("CARGO_BIN_EXE_stiffbus"));
        let run = command.arg("review").arg(logs).arg("--out").arg(&out).output();
        let said = run.expect("the binary runs");
        let page = out.join("index.html");
        assert!(page.is_file(), "{}", String::from_utf8_lossy(&said.stderr));
        (folder, page)
    });
    page
}

fn written(review: &stiffbus::review::Review) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let page = folder.path().join("index.html");
    std::fs::write(&page, stiffbus::report::review::html(review)).expect("a page");
    (folder, page)
}

/// `cargo test --test browser -- --ignored` leaves pictures of the pages for a person to
/// look at, in the folder that it names.
#[test]
#[ignore = "for a person to look at"]
fn pictures_to_look_at() {
    let Some(browser) = Browser::start() else { return };
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("review");
    std::fs::create_dir_all(&folder).expect("a folder");
    let days = [("thousand", written(&day(1000, 40))), ("eight", written(&day(8, 2)))];
    let pages = days.iter().map(|(name, (_, page))| (*name, page.as_path()));
    for (name, page) in pages.chain([("dyno", dyno_day())]) {
        browser.open(page);
        std::fs::copy(page, folder.join(format!("{name}.html"))).expect("a copy");
        for (width, look) in [(1400, "wide"), (380, "narrow")] {
            let height = browser.run("return document.documentElement.scrollHeight", &[]);
            let height = height.as_u64().map_or(900, |height| height.min(12_000) as u32);
            browser.resize(width, height.min(if look == "wide" { 2600 } else { 5200 }));
            browser.screenshot(&folder.join(format!("{name}-{look}.png")));
            browser.dark(true);
            browser.screenshot(&folder.join(format!("{name}-{look}-dark.png")));
            browser.dark(false);
        }
        browser.resize(1280, 900);
        // A thousand rows take longer to lay out on paper than the driver waits.
        if name == "dyno" {
            std::fs::write(folder.join("dyno.pdf"), browser.print()).expect("a PDF");
        }
    }
    println!("{}", folder.display());
}

/// Names of the logs whose rows are shown, from the top.
fn shown(browser: &Browser) -> Vec<String> {
    let script = "return [...document.querySelectorAll('#logs tbody tr')]
        .filter(row => row.offsetParent !== null || row.getClientRects().length)
        .map(row => row.cells[0].textContent)";
    let names = browser.run(script, &[]);
    names.as_array().expect("names").iter().map(|n| n.as_str().expect("a name").into()).collect()
}

fn cells(browser: &Browser, column: usize) -> Vec<String> {
    let script = "return [...document.querySelectorAll('#logs tbody tr')]
        .map(row => row.cells[arguments[0]]?.textContent ?? '')";
    let texts = browser.run(script, &[column.into()]);
    texts.as_array().expect("texts").iter().map(|t| t.as_str().expect("text").into()).collect()
}

/// The number that a cell begins with; `None` where it begins with none.
fn number(cell: &str) -> Option<f64> {
    cell.split_whitespace().next()?.replace(',', "").replace('−', "-").parse().ok()
}

fn head(column: usize) -> String {
    format!("#logs thead th:nth-child({}) button", column + 1)
}

#[test]
fn a_press_on_a_head_sorts_and_two_more_bring_the_worst_first_again() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let worst_first = shown(&browser);
    assert_eq!(worst_first.len(), 8);
    let heads = browser.all("#logs thead th").len();
    assert_eq!(heads, browser.all("#logs thead th button").len());
    let mut reordered = 0;
    for column in 0..heads {
        let button = browser.find(&head(column));
        let th = || browser.find(&format!("#logs thead th:nth-child({})", column + 1));
        button.click();
        let first = shown(&browser);
        let way = th().attribute("aria-sort").expect("it says how it is sorted");
        assert_eq!(browser.all("#logs th[aria-sort]").len(), 1);
        button.click();
        let second = shown(&browser);
        assert_ne!(th().attribute("aria-sort").expect("it is sorted"), way);
        button.click();
        assert_eq!(shown(&browser), worst_first, "column {column}");
        assert_eq!(th().attribute("aria-sort"), None);
        for order in [&first, &second] {
            let mut all = order.clone();
            let mut known = worst_first.clone();
            all.sort();
            known.sort();
            assert_eq!(all, known, "no row is lost");
        }
        // Where no two logs that have something there differ, no order is another's.
        let ranks = "return [...document.querySelectorAll('#logs tbody tr')]
            .map(row => row.dataset.r.split(',')[arguments[0]])";
        let ranks = browser.run(ranks, &[column.into()]);
        let ranks: HashSet<&str> =
            ranks.as_array().into_iter().flatten().filter_map(|rank| rank.as_str()).collect();
        let differ = ranks.iter().filter(|rank| !rank.is_empty()).count() > 1;
        assert_eq!(first != second, differ, "column {column}: {ranks:?}");
        reordered += usize::from(differ);
    }
    assert!(reordered >= 8, "{reordered} columns were put to the test");

    let lowest = 5;
    assert!(browser.find(&head(lowest)).text().starts_with("Lowest voltage"));
    browser.find(&head(lowest)).click();
    let volts: Vec<f64> = cells(&browser, lowest).iter().filter_map(|c| number(c)).collect();
    assert!(volts.len() == 7 && volts.is_sorted(), "{volts:?}");
    browser.find(&head(lowest)).click();
    let cells = cells(&browser, lowest);
    let volts: Vec<f64> = cells.iter().filter_map(|c| number(c)).collect();
    assert!(volts.is_sorted_by(|a, b| a >= b), "{volts:?}");
    // A log without a voltage stands last whichever way.
    assert_eq!(number(cells.last().expect("rows")), None);
    assert_eq!(browser.complaints(), Vec::<String>::new());
    assert_eq!(browser.requests(), Vec::<String>::new());
}

#[test]
fn rows_that_do_not_fit_the_filter_go_and_the_count_is_told() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let told = || browser.find("#shown").text();
    assert_eq!(told(), "8 logs, the worst first");
    assert_eq!(browser.find("#shown").attribute("role").as_deref(), Some("status"));

    browser.find("#find").send("RUN-8 idle");
    assert_eq!(shown(&browser).len(), 1);
    assert!(shown(&browser)[0].contains("run-8"));
    assert_eq!(told(), "1 of 8 logs, the worst first");
    browser.find("#find").send("x");
    assert_eq!((shown(&browser).len(), told().as_str()), (0, "0 of 8 logs, the worst first"));

    browser.find("#worst").click();
    assert_eq!((shown(&browser).len(), told().as_str()), (8, "8 logs, the worst first"));
    browser.find("#verdict").send("could not");
    let unread = shown(&browser);
    assert_eq!(unread.len(), 1);
    assert!(unread[0].contains("run-5"));
    assert_eq!(told(), "1 of 8 logs, the worst first");
    browser.find("#worst").click();

    // What is filtered stays filtered while it is sorted.
    browser.find("#verdict").send("falls short at idle");
    let some = shown(&browser).len();
    browser.find(&head(0)).click();
    let names = shown(&browser);
    assert!(some < 8 && names.len() == some && names.is_sorted(), "{names:?}");
    assert!(told().ends_with(&format!("{some} of 8 logs, by log, ascending")), "{}", told());
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn one_car_of_several_can_be_looked_at() {
    let Some(browser) = Browser::start() else { return };
    let (_folder, page) = written(&day(60, 5));
    browser.open(&page);
    browser.find("#car").send("car-002");
    let names = shown(&browser);
    assert_eq!(names.len(), 12);
    assert!(names.iter().all(|name| name.starts_with("car-002/")));
}

#[test]
fn every_link_leads_to_the_report_of_its_log() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let links = browser.all("#logs tbody th a").len();
    assert_eq!(links, 7, "all but the broken log");
    for k in 0..links {
        let link = &browser.all("#logs tbody th a")[k];
        let log = link.text();
        let file = log.rsplit('/').next().expect("a name").to_owned();
        link.click();
        assert!(browser.title().contains(&file), "{log} led to {}", browser.title());
        assert_eq!(browser.find(".file").text(), file);
        browser.back();
    }
    assert_eq!(browser.requests(), Vec::<String>::new());
}

#[test]
fn a_keyboard_is_enough_to_sort_and_to_filter() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let worst_first = shown(&browser);
    let mut tabs = 0;
    while browser.focused().attribute("id").as_deref() != Some("find") {
        browser.press(&[keys::TAB]);
        tabs += 1;
        assert!(tabs < 30, "the filter is not reached");
    }
    browser.press(&['r', 'u', 'n']);
    assert_eq!(shown(&browser).len(), 8);
    while !browser.focused().text().starts_with("Lowest voltage") {
        browser.press(&[keys::TAB]);
        tabs += 1;
        assert!(tabs < 60, "the head is not reached");
    }
    assert_ne!(browser.focused().style("outline-style"), "none", "focus is seen");
    browser.press(&[keys::ENTER]);
    browser.press(&[keys::SPACE]);
    assert_ne!(shown(&browser), worst_first);
    let sorted = browser.find("#logs th[aria-sort]");
    assert_eq!(sorted.attribute("aria-sort").as_deref(), Some("descending"));
    assert!(browser.focused().text().starts_with("Lowest voltage"), "focus stays");
}

#[test]
fn without_script_the_worst_stands_first_and_nothing_dead_is_shown() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let live = shown(&browser);
    browser.scripts(false);
    browser.open(dyno_day());
    assert_eq!(browser.all("#logs thead button").len(), 0);
    let controls = browser.all(".controls input, .controls select, .controls button");
    assert!(!controls.is_empty() && controls.iter().all(|control| !control.is_shown()));
    let rows = browser.all("#logs tbody th");
    let names: Vec<String> = rows.iter().map(|row| row.text()).collect();
    assert_eq!(names, live);
}

#[test]
fn hostile_names_stay_text_and_only_our_script_runs() {
    let Some(browser) = Browser::start() else { return };
    let (_folder, page) = written(&hostile());
    browser.open(&page);
    assert!(browser.title().starts_with("Review"), "{}", browser.title());
    assert_eq!(shown(&browser).len(), 4);
    assert!(browser.find("#shown").text().starts_with("4 logs"), "ours does run");
    let seen: String = HOSTILE.replace('\u{1b}', "\u{fffd}");
    assert!(shown(&browser).iter().all(|name| name.contains(&seen)), "{:?}", shown(&browser));
    let added = "const s = document.createElement('script');
        s.textContent = \"document.title = 'owned'\"; document.body.append(s); return document.title";
    assert_ne!(browser.run(added, &[]), "owned", "the policy holds scripts off");
    let refused = browser.complaints();
    assert!(refused.iter().any(|c| c.contains("Content Security Policy")), "{refused:?}");
    assert_eq!(browser.requests(), Vec::<String>::new());
}

#[test]
fn a_narrow_page_is_never_wider_than_its_window_and_sorts_too() {
    let Some(browser) = Browser::start() else { return };
    browser.resize(380, 800);
    browser.open(dyno_day());
    let page = "const page = document.documentElement; return page.scrollWidth - page.clientWidth";
    assert_eq!(browser.run(page, &[]), 0);
    let before = shown(&browser);
    let button = browser.find(&head(0));
    assert!(button.is_shown());
    button.click();
    assert_ne!(shown(&browser), before);
}

/// A table of eleven columns needs more than a laptop's window: rather than run off its
/// edge, each log stands in lines of its own.
#[test]
fn no_column_runs_off_a_page_of_middling_width() {
    let Some(browser) = Browser::start() else { return };
    for width in [600, 800, 1100, 1260, 1400] {
        browser.resize(width, 900);
        browser.open(dyno_day());
        let beyond = "const edge = document.querySelector('#logs').closest('.scroll, section')
            .getBoundingClientRect().right;
            return [...document.querySelectorAll('#logs td, #logs th, #logs td *')]
            .filter(e => e.getBoundingClientRect().right > edge + 1).length";
        assert_eq!(browser.run(beyond, &[]), 0, "{width}");
        assert!(!shown(&browser).is_empty(), "{width}");
    }
}

#[test]
fn a_thousand_logs_are_sorted_and_filtered_without_a_wait() {
    let Some(browser) = Browser::start() else { return };
    let (_folder, page) = written(&day(1000, 40));
    browser.open(&page);
    assert_eq!(shown(&browser).len(), 1000);
    let took_ms = browser.run(
        "const from = performance.now(); document.querySelector(arguments[0]).click();
         document.body.offsetHeight; return performance.now() - from",
        &[head(5).into()],
    );
    println!("1,000 rows sorted and laid out in {took_ms} ms");
    // A reader takes a second for a wait. Rows out of sight are not laid out, so that
    // this takes some hundredths; tests run beside others.
    assert!(took_ms.as_f64().is_some_and(|ms| ms < 1000.0), "{took_ms} ms");
    browser.find("#find").send("run-999");
    assert_eq!(shown(&browser), ["car-039/run-999.csv"]);
    assert_eq!(browser.find("#shown").text(), "1 of 1,000 logs, by lowest voltage, ascending");
}

#[test]
fn print_holds_every_log_and_no_controls() {
    let Some(browser) = Browser::start() else { return };
    browser.open(dyno_day());
    let pdf = browser.print();
    assert!(pdf.starts_with(b"%PDF") && pdf.len() > 20_000, "{} bytes", pdf.len());
    browser.devtools("Emulation.setEmulatedMedia", serde_json::json!({"media": "print"}));
    assert!(browser.all(".controls").iter().all(|control| !control.is_shown()));
    assert_eq!(shown(&browser).len(), 8);
}
