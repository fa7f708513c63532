//! `report.html`: the picture of the log as a reader points at it, looks closer and
//! comes back, and the page around it.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use tempfile::TempDir;

use crate::support::{Browser, Pointer, keys};

const LOG: &str = "sample-logs/hot-idle-old-alternator.csv";

/// The report of a log as the tool writes it.
fn report_of(log: &Path, flags: &[&str]) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("the report");
    let mut command = Command::new(env!("CARGO_BIN_EXE_stiffbus"));
    let run = command.arg("diagnose").arg(log).args(flags).arg("--out").arg(&out).output();
    let said = run.expect("the binary runs");
    let page = out.join("report.html");
    assert!(page.is_file(), "{}", String::from_utf8_lossy(&said.stderr));
    (folder, page)
}

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// Made once for all tests.
fn page() -> &'static Path {
    static PAGE: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    &PAGE.get_or_init(|| report_of(&sample(LOG), &[])).1
}

/// Rows of a log of ours: its heads, and its cells as they stand in the file.
fn rows(log: &Path) -> (Vec<String>, Vec<Vec<String>>) {
    let text = std::fs::read_to_string(log).expect("the log");
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    let heads = reader.headers().expect("heads").iter().map(str::to_owned).collect();
    let cells = |record: csv::Result<csv::StringRecord>| {
        record.expect("a row").iter().map(str::to_owned).collect()
    };
    (heads, reader.records().map(cells).collect())
}

fn open(browser: &Browser, page: &Path) {
    browser.open(page);
    assert!(browser.find("#live").is_shown(), "{:?}", browser.complaints());
    browser.run("document.querySelector('#live').scrollIntoView()", &[]);
}

/// Opens all that a page keeps closed.
fn unfold(browser: &Browser) {
    browser
        .run("document.querySelectorAll('details').forEach((part) => { part.open = true; })", &[]);
}

/// Time under the crosshair, as the picture tells it to a screen reader.
fn moment(browser: &Browser) -> f64 {
    let now = browser.find("#picture").attribute("aria-valuenow").expect("a moment");
    now.parse().expect("seconds")
}

fn view(browser: &Browser) -> (f64, f64) {
    let picture = browser.find("#picture");
    let end = |name: &str| {
        let end = picture.attribute(name).expect("an end");
        end.parse::<f64>().expect("seconds")
    };
    (end("data-from"), end("data-to"))
}

fn length(browser: &Browser) -> f64 {
    let (from, to) = view(browser);
    to - from
}

/// What stands beside each channel: its name, and what it reads.
fn readout(browser: &Browser) -> Vec<(String, String)> {
    let script = "return [...document.querySelectorAll('.chips label')].map(label =>
        [label.querySelector('.name').textContent, label.querySelector('output').textContent])";
    let told = browser.run(script, &[]);
    let text = |v: &Value| v.as_str().expect("text").to_owned();
    let pairs = told.as_array().expect("channels");
    pairs.iter().map(|pair| (text(&pair[0]), text(&pair[1]))).collect()
}

/// A cell of the log as the picture words it.
fn worded(head: &str, cell: &str) -> String {
    let (_, unit) = head.split_once(" (").unwrap_or((head, ""));
    match (unit.trim_end_matches(')'), cell) {
        ("" | "%", "0") => "off".to_owned(),
        ("", "1") | ("%", "100") => "on".to_owned(),
        (unit, cell) => format!("{cell} {unit}"),
    }
}

#[test]
fn the_crosshair_reads_what_the_log_holds_at_that_time() {
    let Some(browser) = Browser::start() else { return };
    let (heads, rows) = rows(&sample(LOG));
    open(&browser, page());
    let picture = browser.find("#picture");
    let mut seen = Vec::new();
    // By pointer all along the picture, then closer and sample by sample.
    for x in (-450..400).step_by(50) {
        browser.hover(&picture, (x, -100));
        seen.push((moment(&browser), readout(&browser)));
    }
    browser.tap(Pointer::Mouse, &picture, (0, -100));
    browser.press(&['+', '+', '+', '+', '+', '+', '+']);
    for _ in 0..12 {
        browser.press(&[keys::RIGHT]);
        seen.push((moment(&browser), readout(&browser)));
    }
    browser.tap(Pointer::Touch, &picture, (40, -100));
    seen.push((moment(&browser), readout(&browser)));
    let moments: std::collections::BTreeSet<u64> =
        seen.iter().map(|(t, _)| (t * 1000.0) as u64).collect();
    assert!(moments.len() > 25, "{moments:?}");
    for (t, told) in seen {
        let row = rows.iter().find(|row| (row[0].parse::<f64>().unwrap() - t).abs() < 1e-9);
        let row = row.unwrap_or_else(|| panic!("no sample of the log is at {t} s"));
        assert_eq!(told.len(), heads.len() - 1);
        for ((head, cell), (name, value)) in heads.iter().zip(row).skip(1).zip(&told) {
            assert_eq!(head.split(" (").next(), Some(name.as_str()), "as the log orders them");
            assert_eq!(&worded(head, cell), value, "{name} at {t} s");
        }
    }
    assert_eq!(browser.complaints(), Vec::<String>::new());
    assert_eq!(browser.requests(), Vec::<String>::new());
}

/// Too long to be kept sample by sample: each bucket tells both ends and their times.
#[test]
fn of_a_long_log_the_crosshair_reads_lowest_and_highest_and_when() {
    let Some(browser) = Browser::start() else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let log = folder.path().join("long.csv");
    let volts = |k: u32| match k % 1000 {
        700 => 12.01 + f64::from(k / 1000) * 0.01,
        900 => 14.80,
        _ => 14.10 + f64::from(k % 7) * 0.01,
    };
    let mut text = "time (s),battery voltage (V),engine rpm\n".to_owned();
    for k in 0..120_000 {
        text += &format!("{:.1},{:.2},{}\n", f64::from(k) / 10.0, volts(k), 800 + k % 11);
    }
    std::fs::write(&log, text).expect("a log");
    let (_folder, page) = report_of(&log, &[]);
    let bytes = std::fs::metadata(&page).expect("the page").len();
    assert!(bytes <= 2_000_000, "{bytes} bytes");
    open(&browser, &page);
    let picture = browser.find("#picture");
    let mut dips = 0;
    for x in (-450..380).step_by(83) {
        browser.hover(&picture, (x, -100));
        let (name, told) = readout(&browser).remove(0);
        assert_eq!(name, "battery voltage");
        // "14.10 V (70.3 s) to 14.16 V (70.9 s)"
        let parts: Vec<f64> = told
            .split(|c: char| !c.is_ascii_digit() && c != '.')
            .filter_map(|part| part.parse().ok())
            .collect();
        let [low, low_s, high, high_s] = parts[..] else { panic!("{told}") };
        let logged = |t: f64| volts((t * 10.0).round() as u32);
        assert!((logged(low_s) - low).abs() < 1e-9, "{told}");
        assert!((logged(high_s) - high).abs() < 1e-9, "{told}");
        // Nothing in the bucket lies outside what it tells.
        let said = browser.find(".moment").text();
        let ends: Vec<f64> =
            said.split_whitespace().filter_map(|word| word.parse().ok()).take(2).collect();
        let [from, to] = ends[..] else { panic!("{said}") };
        for k in (from * 10.0).round() as u32..(to * 10.0).round() as u32 {
            let volts = volts(k);
            assert!(low - 1e-9 <= volts && volts <= high + 1e-9, "{said}: {told}: {volts}");
            dips += u32::from(k % 1000 == 700);
        }
    }
    println!("{bytes} bytes of a page, {dips} dips met");
}

#[test]
fn wheel_drag_keys_and_touch_look_closer_and_there_is_a_way_back() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    let picture = browser.find("#picture");
    let whole = view(&browser);
    assert!(whole.0 == 0.0 && whole.1 > 400.0, "{whole:?}");
    let back = |how: &str| {
        assert!(length(&browser) < whole.1, "{how}: {:?}", view(&browser));
        browser.press(&[keys::ESCAPE]);
        assert_eq!(view(&browser), whole, "{how}");
    };
    // The wheel scrolls the page until the picture is chosen.
    browser.wheel(&picture, (0, -100), (0, -240));
    assert_eq!(view(&browser), whole);
    browser.tap(Pointer::Mouse, &picture, (0, -100));
    let under = moment(&browser);
    browser.wheel(&picture, (0, -100), (0, -240));
    let (from, to) = view(&browser);
    assert!(from < under && under < to);
    back("the wheel");
    browser.drag(Pointer::Mouse, &picture, (-200, -100), (0, -100));
    let near = view(&browser);
    // Once closer, a drag moves along.
    browser.drag(Pointer::Mouse, &picture, (0, -100), (150, -100));
    let moved = view(&browser);
    assert!(moved.0 < near.0 && (length(&browser) - (near.1 - near.0)).abs() < 1e-6);
    browser.drag(Pointer::Touch, &picture, (150, -100), (0, -100));
    assert!(view(&browser).0 > moved.0);
    back("a drag");
    browser.press(&['+', '+']);
    let near = view(&browser);
    browser.press(&[keys::PAGE_DOWN]);
    assert!(view(&browser).0 > near.0);
    browser.press(&[keys::HOME]);
    assert!(moment(&browser) == 0.0 && view(&browser).0 == 0.0, "the view follows");
    browser.press(&[keys::END]);
    assert!((moment(&browser) - whole.1).abs() < 0.01);
    back("keys");
    // The buttons, and the one that brings all back.
    let press = |label: &str| browser.find(&format!(".tools [aria-label='{label}']")).click();
    press("Closer");
    assert!(length(&browser) < 0.6 * whole.1);
    press("Later");
    press("Further away");
    press("Closer");
    press("Show the whole log");
    assert_eq!(view(&browser), whole);
    // Two fingers apart.
    browser.pinch(&picture, 40, 200);
    assert!(length(&browser) < 0.6 * whole.1, "{:?}", view(&browser));
    press("Show the whole log");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn a_press_on_a_step_or_a_row_brings_the_picture_there_and_back() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    let (_, rows) = rows(&sample(LOG));
    unfold(&browser);
    let goes = browser.all(".go");
    assert!(goes.len() > 25, "{} places to go to", goes.len());
    for place in [0, goes.len() / 2, goes.len() - 1] {
        let go = &browser.all(".go")[place];
        let told = browser.run(
            "return arguments[0].closest('[data-go]').dataset.go.split(' ').map(Number)",
            &[go.handle()],
        );
        let (from, to) = (told[0].as_f64().unwrap(), told[1].as_f64().unwrap());
        go.click();
        let (left, right) = view(&browser);
        assert!(left <= from && to <= right + 1e-6, "{from} to {to} in {left} to {right}");
        assert!((moment(&browser) - from).abs() < 0.11, "the crosshair stands at {from}");
        assert_eq!(browser.focused().attribute("id").as_deref(), Some("picture"));
        let seen = "const b = document.querySelector('.tools').getBoundingClientRect();
            return b.top >= 0 && b.top < innerHeight";
        assert_eq!(browser.run(seen, &[]), true);
        let back = browser.find(".tools button:last-child");
        assert!(back.text().starts_with("Back to"), "{}", back.text());
        back.click();
        assert_eq!(
            browser.run("return document.activeElement === arguments[0]", &[go.handle()]),
            true
        );
    }
    // The number of a step in the picture itself.
    browser.find(".tools [aria-label='Show the whole log']").click();
    browser.run("document.querySelector('#picture').scrollIntoView()", &[]);
    let place = browser.run(
        "const box = document.querySelector('#picture').getBoundingClientRect();
         const step = document.querySelector('#picture .step').getBoundingClientRect();
         return [step.x + step.width / 2 - box.x - box.width / 2, step.y + step.height / 2 - box.y - box.height / 2]",
        &[],
    );
    let pixel = |k: usize| place[k].as_f64().unwrap().round() as i32;
    browser.tap(Pointer::Mouse, &browser.find("#picture"), (pixel(0), pixel(1)));
    assert!(length(&browser) < 100.0);
    // Keys go from step to step: the fan comes on at the first, off at the next.
    let column = 4;
    browser.press(&[keys::ESCAPE, keys::HOME, keys::UP]);
    let state = |t: f64| {
        let row = rows.iter().rfind(|row| row[0].parse::<f64>().unwrap() <= t + 1e-9);
        row.expect("a sample")[column].clone()
    };
    let first = moment(&browser);
    assert!((state(first - 0.5), state(first + 0.5)) == ("0".into(), "1".into()), "{first} s");
    browser.press(&[keys::UP]);
    let second = moment(&browser);
    assert!((state(second - 0.5), state(second + 0.5)) == ("1".into(), "0".into()), "{second} s");
    browser.press(&[keys::DOWN]);
    assert_eq!(moment(&browser), first);
}

#[test]
fn channels_are_hidden_and_shown() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    let drawn = || browser.all("#picture svg > path").len();
    let height = || browser.run("return document.querySelector('#picture').offsetHeight", &[]);
    let (lines, tall) = (drawn(), height().as_f64().unwrap());
    let boxes = browser.all(".chips input");
    assert_eq!(boxes.len(), 6);
    for each in &boxes {
        each.click();
    }
    assert!(drawn() < lines && height().as_f64().unwrap() < tall);
    for each in &boxes {
        each.click();
    }
    assert_eq!((drawn(), height().as_f64().unwrap()), (lines, tall));
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

#[test]
fn a_keyboard_is_enough() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    let mut tabs = 0;
    let mut until = |wanted: &str| {
        while !browser
            .run("return document.activeElement.matches(arguments[0])", &[wanted.into()])
            .as_bool()
            .unwrap()
        {
            browser.press(&[keys::TAB]);
            tabs += 1;
            assert!(tabs < 120, "{wanted} is not reached");
        }
        assert_ne!(browser.focused().style("outline-style"), "none", "focus is seen at {wanted}");
    };
    until(".tools [aria-label='Closer']");
    browser.press(&[keys::ENTER]);
    assert!(length(&browser) < 300.0);
    until("#picture");
    let before = moment(&browser);
    browser.press(&[keys::RIGHT, keys::RIGHT]);
    assert!(moment(&browser) > before);
    let told = browser.find("#picture").attribute("aria-valuetext").expect("words");
    assert!(told.contains("battery voltage") && told.contains(" V, "), "{told}");
    until(".chips input");
    browser.press(&[keys::SPACE]);
    assert_eq!(browser.focused().property("checked"), false);
    browser.press(&[keys::SPACE]);
    until("details.fold:has(:is(td, th) .go) > summary");
    browser.press(&[keys::ENTER]);
    until("td .go, th .go");
    browser.press(&[keys::ENTER]);
    assert_eq!(browser.focused().attribute("id").as_deref(), Some("picture"));
}

/// Between which voltages the bus holds at each operating point stands on the live
/// picture as it does on the one at rest.
#[test]
fn the_interval_of_each_operating_point_is_drawn() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    let folder = page().parent().expect("a folder");
    let text = std::fs::read_to_string(folder.join("diagnosis.json")).expect("the diagnosis");
    let told: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let points = told["operating_points"].as_array().expect("points");
    let spans: usize = points.iter().map(|p| p["spans"].as_array().expect("spans").len()).sum();
    assert!(spans > 5);
    assert_eq!(browser.all("#picture .held").len(), spans);
}

#[test]
fn without_script_everything_still_reads() {
    let Some(browser) = Browser::start() else { return };
    browser.scripts(false);
    browser.open(page());
    assert!(!browser.find("#live").is_shown());
    assert_eq!(browser.all(".go").len(), 0);
    let pictures = browser.all(".still");
    assert_eq!(pictures.iter().filter(|picture| picture.is_shown()).count(), 1);
}

#[test]
fn paper_shows_the_picture_at_rest_and_nothing_is_clipped() {
    let Some(browser) = Browser::start() else { return };
    open(&browser, page());
    browser.press(&['+']);
    // A4 and Letter less the page's margins of 13 mm, at 96 pixels an inch.
    for (name, paper_mm) in [("A4", 210.0), ("Letter", 215.9)] {
        let width = ((paper_mm - 26.0) / 25.4 * 96.0) as u32;
        browser.resize(width, 1000);
        browser.devtools("Emulation.setEmulatedMedia", serde_json::json!({"media": "print"}));
        assert!(!browser.find("#live").is_shown());
        assert!(browser.find(".still.wide").is_shown());
        let wider = "const wide = document.documentElement.clientWidth + 1;
            return [...document.querySelectorAll('body *')].filter(e => {
                const box = e.getBoundingClientRect();
                return box.width > 0 && (box.right > wide || (e.scrollWidth > e.clientWidth + 1
                    && getComputedStyle(e).overflowX !== 'visible'));
            }).map(e => e.outerHTML.slice(0, 120))";
        assert_eq!(browser.run(wider, &[]), serde_json::json!([]), "{name}");
    }
    let pdf = browser.print();
    assert!(pdf.starts_with(b"%PDF") && pdf.len() > 50_000, "{} bytes", pdf.len());
}

#[test]
fn a_narrow_page_is_never_wider_than_its_window() {
    let Some(browser) = Browser::start() else { return };
    browser.resize(380, 800);
    open(&browser, page());
    let page = "const page = document.documentElement; return page.scrollWidth - page.clientWidth";
    assert_eq!(browser.run(page, &[]), 0);
    unfold(&browser);
    browser.find("td .go, th .go").click();
    assert!(length(&browser) < 200.0);
    assert_eq!(browser.run(page, &[]), 0);
}

/// What a reader sees without opening anything, on a phone and on a laptop: few words, and
/// the next test with its limit within one and a half screens.
#[test]
fn the_first_screens_answer() {
    let Some(browser) = Browser::start() else { return };
    let logs = ["hot-idle-old-alternator", "thin-ground", "slipping-belt", "intermittent-terminal"];
    for (log, has_test) in
        logs.map(|log| (log, true)).into_iter().chain([("healthy-baseline", false)])
    {
        let (_folder, page) = report_of(&sample(&format!("sample-logs/{log}.csv")), &[]);
        for (width, height) in [(390, 844), (768, 1024), (1280, 900)] {
            browser.resize(width, height);
            open(&browser, &page);
            browser.run("scrollTo(0, 0)", &[]);
            let words = browser.run("return document.body.innerText.split(/\\s+/).length", &[]);
            assert!(words.as_f64().unwrap() < 900.0, "{log} at {width}: {words} words");
            let wider =
                "const page = document.documentElement; return page.scrollWidth - page.clientWidth";
            assert_eq!(browser.run(wider, &[]), 0, "{log} at {width} is clipped");
            let limit = browser.run(
                "const limit = document.querySelector('.limit');
                 return limit ? limit.getBoundingClientRect().bottom / innerHeight : null",
                &[],
            );
            assert_eq!(limit.is_number(), has_test, "{log}");
            assert!(
                limit.as_f64().is_none_or(|screens| screens < 1.5),
                "{log} at {width}: {limit}"
            );
        }
    }
}

#[test]
fn a_hostile_name_of_a_column_stays_text() {
    let Some(browser) = Browser::start() else { return };
    let name = "fan</script><script>document.title='owned'</script><img src=x onerror=alert(1)>";
    let text = std::fs::read_to_string(sample(LOG)).expect("the log");
    let folder = tempfile::tempdir().expect("a folder");
    let log = folder.path().join("hostile.csv");
    std::fs::write(&log, text.replacen(",fan,", &format!(",{name},"), 1)).expect("a log");
    let (_folder, page) = report_of(&log, &["--column", "load=#5"]);
    open(&browser, &page);
    assert!(browser.title().starts_with("Charging system"), "{}", browser.title());
    let names: Vec<String> = readout(&browser).into_iter().map(|(name, _)| name).collect();
    assert!(names.contains(&name.to_owned()), "{names:?}");
    assert_eq!(browser.all("img").len(), 0);
    assert_eq!(browser.complaints(), Vec::<String>::new());
    assert_eq!(browser.requests(), Vec::<String>::new());
}

/// axe-core, which `.ci/run` fetches from npm; its file is named by `AXE_CORE`.
#[test]
fn a_checker_of_accessibility_finds_nothing_serious() {
    let Some(path) = std::env::var_os("AXE_CORE") else {
        return eprintln!("skipped: AXE_CORE names no file");
    };
    let Some(browser) = Browser::start() else { return };
    let axe = std::fs::read_to_string(path).expect("axe-core");
    for (width, dark) in [(1280, false), (1280, true), (380, false), (380, true)] {
        browser.resize(width, 900);
        browser.dark(dark);
        open(&browser, page());
        browser.run(&axe, &[]);
        let check = "const done = arguments[arguments.length - 1];
            axe.run(document, {resultTypes: ['violations']}).then(told => done(told.violations
                .filter(v => v.impact === 'serious' || v.impact === 'critical')
                .map(v => `${v.id}: ${v.nodes[0].html.slice(0, 200)}`)))";
        assert_eq!(browser.run_async(check), serde_json::json!([]), "{width} wide, dark {dark}");
    }
}

/// `cargo test --test browser -- --ignored` leaves pictures for a person to look at.
#[test]
#[ignore = "for a person to look at"]
fn pictures_of_reports_to_look_at() {
    let Some(browser) = Browser::start() else { return };
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report");
    std::fs::create_dir_all(&folder).expect("a folder");
    for name in ["hot-idle-old-alternator", "thin-ground", "output-sweep"] {
        let (_folder, page) = report_of(&sample(&format!("sample-logs/{name}.csv")), &[]);
        for (width, look) in [(1280, "wide"), (380, "narrow")] {
            for (dark, shade) in [(false, "light"), (true, "dark")] {
                browser.resize(width, 2400);
                browser.dark(dark);
                open(&browser, &page);
                browser.screenshot(&folder.join(format!("{name}-{look}-{shade}.png")));
            }
        }
        browser.dark(false);
        browser.resize(1280, 900);
        std::fs::write(folder.join(format!("{name}.pdf")), browser.print()).expect("a PDF");
    }
    println!("{}", folder.display());
}
