//! A log dropped on the page that `stiffbus serve` shows.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::support::{Browser, keys};

struct Bench {
    folder: TempDir,
    server: Child,
    page: String,
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

impl Bench {
    fn start() -> Bench {
        let folder = tempfile::tempdir().expect("a folder");
        let mut server = Command::new(env!("CARGO_BIN_EXE_stiffbus"))
            .arg("serve")
            .current_dir(folder.path())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the binary runs");
        let out = server.stdout.take().expect("its output");
        let first = BufReader::new(out).lines().next().expect("a line").expect("text");
        let page = first[first.find("http://").expect("an address")..].to_owned();
        Bench { folder, server, page }
    }

    fn browser(&self) -> Option<Browser> {
        let browser = Browser::start()?;
        browser.network(true);
        browser.visit(&self.page);
        Some(browser)
    }
}

fn sample() -> String {
    let path =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/hot-idle-old-alternator.csv");
    std::fs::read_to_string(path).expect("the sample")
}

fn drop_on(browser: &Browser, name: &str, text: &str) {
    let script = "const data = new DataTransfer();
        data.items.add(new File([arguments[1]], arguments[0]));
        const event = {dataTransfer: data, bubbles: true, cancelable: true};
        document.querySelector('h1').dispatchEvent(new DragEvent('drop', event))";
    browser.run(script, &[name.into(), text.into()]);
}

#[track_caller]
fn until(what: &str, is: impl Fn() -> bool) {
    let end = Instant::now() + Duration::from_secs(60);
    while !is() {
        assert!(Instant::now() < end, "{what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn a_log_dropped_on_the_page_becomes_its_report() {
    let bench = Bench::start();
    let Some(browser) = bench.browser() else { return };
    assert!(browser.find("#none").is_shown());
    drop_on(&browser, "hot idle.csv", &sample());
    until("no report came", || browser.address().ends_with("/reports/hot_idle/report.html"));
    assert!(browser.title().contains("hot idle.csv"), "{}", browser.title());
    let page =
        std::fs::read_to_string(bench.folder.path().join("stiffbus-report/hot_idle/report.html"));
    assert!(page.expect("the report on disk").contains("</html>"));
    // Back on the page it is listed, and leads there again.
    browser.visit(&bench.page);
    browser.find("#reports a").click();
    assert!(browser.address().ends_with("/reports/hot_idle/report.html"));
    assert_eq!(browser.complaints(), Vec::<String>::new());
    let asked = browser.requests();
    assert!(asked.iter().all(|url| url.starts_with(&bench.page)), "{asked:?}");
}

#[test]
fn a_chosen_file_is_handed_over_too() {
    let bench = Bench::start();
    let Some(browser) = bench.browser() else { return };
    let log = bench.folder.path().join("chosen.csv");
    std::fs::write(&log, sample()).expect("a log");
    browser.find("#log").send(log.to_str().expect("a path"));
    until("no report came", || browser.address().ends_with("/reports/chosen/report.html"));
}

/// Names and cells of a log may hold anything.
#[test]
fn columns_that_no_name_tells_are_asked_for_by_keyboard() {
    const HOSTILE: &str = "<img src=x onerror=document.title='owned'>";
    let bench = Bench::start();
    let Some(browser) = bench.browser() else { return };
    let header = format!("time (s),aux 1,aux 2,{HOSTILE}");
    let row = |i: usize| {
        let t = i as f64 / 10.0;
        let (v, rpm) = match t {
            t if t < 10.0 => (12.6, 0.0),
            t if t < 11.0 => (10.2, 180.0),
            _ => (14.2, 850.0),
        };
        let v = v + 0.01 * (i % 3) as f64;
        format!("{t:.1},{:.2},{v:.2},{rpm:.0}", v - 0.3)
    };
    let rows: Vec<String> = (0..900).map(row).collect();
    drop_on(&browser, &format!("{HOSTILE}.csv"), &format!("{header}\n{}\n", rows.join("\n")));
    until("nothing is asked", || !browser.all("#asked select").is_empty());
    assert_eq!(browser.title(), "Drop a log here");
    assert!(browser.all("#asked img").is_empty());
    assert!(browser.find("#asked h2").text().contains("<img"));
    let heads: Vec<String> = browser.all("#asked tbody th").iter().map(|e| e.text()).collect();
    assert_eq!(heads, ["time (s)", "aux 1", "aux 2", HOSTILE]);
    // The first choice has the keyboard: each letter chooses, Tab goes on.
    assert_eq!(browser.focused().attribute("aria-label").as_deref(), Some("What time (s) is"));
    let typed: Vec<char> = "\tnothing\tbus\tengine\t\t\n".chars().collect();
    let stroke = |c: &char| match c {
        '\t' => keys::TAB,
        '\n' => keys::ENTER,
        c => *c,
    };
    browser.press(&typed.iter().map(stroke).collect::<Vec<_>>());
    until("no report came", || browser.address().ends_with("/report.html"));
    assert_eq!(browser.complaints().iter().filter(|c| !c.contains("422")).count(), 0);
}

#[test]
fn several_logs_are_read_in_turn_and_one_that_is_none_is_told() {
    let bench = Bench::start();
    let Some(browser) = bench.browser() else { return };
    let script = "const data = new DataTransfer();
        for (const [name, text] of arguments[0]) data.items.add(new File([text], name));
        document.body.dispatchEvent(new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true}))";
    let files: Value = json!([
        ["a.csv", sample()],
        ["b.csv", "dear diary\n"],
        ["c.csv", format!("# c\n{}", sample())]
    ]);
    browser.run(script, &[files]);
    until("not all came", || browser.all("#reports a").len() == 2);
    until("nothing is told", || browser.find("#said").text().starts_with("Not all"));
    assert_eq!(browser.find("#asked h2").text(), "b.csv");
    assert!(browser.find("#asked .reason").text().contains("no table"));
}
