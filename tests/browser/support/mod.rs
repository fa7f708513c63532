//! A browser to look at our pages with. One test, one browser, with a profile of
//! its own and the network off.

mod driver;
mod element;
mod hands;

use std::path::Path;
use std::time::{Duration, Instant};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use driver::Driver;
pub use element::Element;
pub use hands::{Pointer, keys};

/// A page that takes longer to be there never comes.
const PATIENCE: Duration = Duration::from_secs(60);

pub struct Browser {
    driver: Driver,
}

impl Browser {
    /// A window 1280 × 900 wide, or `None` and a word where this machine has no
    /// Chromium. One that is there and does not start is a failure.
    pub fn start() -> Option<Browser> {
        let driver = Driver::start()?;
        let browser = Browser { driver };
        browser.resize(1280, 900);
        browser.devtools("Network.enable", json!({}));
        browser.network(false);
        // It begins with a page of its own.
        browser.driver.post("url", json!({"url": "about:blank"}));
        browser.complaints();
        browser.requests();
        Some(browser)
    }

    /// The page in a file.
    pub fn open(&self, page: &Path) {
        let path = page.canonicalize().expect("a page to open");
        self.visit(&file_url(&path));
    }

    /// The page at an address.
    pub fn visit(&self, url: &str) {
        self.driver.post("url", json!({"url": url}));
        // The driver may answer before the last of a long page was read.
        let whole = "return document.readyState === 'complete'";
        let from = Instant::now();
        while self.run(whole, &[]) != true {
            assert!(from.elapsed() < PATIENCE, "{url}: is not there after {PATIENCE:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Whether anything can be fetched.
    pub fn network(&self, on: bool) {
        let rate = if on { -1 } else { 0 };
        let set = json!({"offline": !on, "latency": 0, "downloadThroughput": rate, "uploadThroughput": rate});
        self.devtools("Network.emulateNetworkConditions", set);
    }

    pub fn address(&self) -> String {
        self.driver.get("url").as_str().expect("an address").to_owned()
    }

    pub fn title(&self) -> String {
        self.driver.get("title").as_str().expect("a title").to_owned()
    }

    pub fn back(&self) {
        self.driver.post("back", json!({}));
    }

    /// The first that fits the selector.
    #[track_caller]
    pub fn find(&self, css: &str) -> Element<'_> {
        let found = self.all(css).into_iter().next();
        found.unwrap_or_else(|| panic!("nothing on the page fits {css}"))
    }

    pub fn all(&self, css: &str) -> Vec<Element<'_>> {
        let found = self.driver.post("elements", json!({"using": "css selector", "value": css}));
        let found = found.as_array().cloned().unwrap_or_default();
        found.iter().map(|one| Element::of(&self.driver, one)).collect()
    }

    /// What has the keyboard.
    pub fn focused(&self) -> Element<'_> {
        Element::of(&self.driver, &self.driver.get("element/active"))
    }

    /// What the body of a function returns; elements go in as [`Element::handle`].
    pub fn run(&self, script: &str, arguments: &[Value]) -> Value {
        self.driver.post("execute/sync", json!({"script": script, "args": arguments}))
    }

    /// The same of a function whose last argument takes what it comes to.
    pub fn run_async(&self, script: &str) -> Value {
        self.driver.post("execute/async", json!({"script": script, "args": []}))
    }

    /// The size of the page's window in CSS pixels, however narrow.
    pub fn resize(&self, width: u32, height: u32) {
        let size =
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
        self.devtools("Emulation.setDeviceMetricsOverride", size);
    }

    /// The reader's choice of colours.
    pub fn dark(&self, dark: bool) {
        let scheme =
            json!({"name": "prefers-color-scheme", "value": if dark { "dark" } else { "light" }});
        self.devtools("Emulation.setEmulatedMedia", json!({"features": [scheme]}));
    }

    /// Whether pages that are opened from now on may run their script.
    pub fn scripts(&self, allowed: bool) {
        self.devtools("Emulation.setScriptExecutionDisabled", json!({"value": !allowed}));
    }

    /// The page on A4, as a PDF.
    pub fn print(&self) -> Vec<u8> {
        let a4 = json!({"page": {"width": 21.0, "height": 29.7}, "background": true, "shrinkToFit": false});
        decoded(&self.driver.post("print", a4))
    }

    /// What the window shows, as a PNG.
    pub fn screenshot(&self, file: &Path) {
        let picture = decoded(&self.driver.get("screenshot"));
        std::fs::write(file, picture).expect("a picture on disk");
    }

    /// Errors and warnings on the console since this was last asked, refused
    /// loads among them.
    pub fn complaints(&self) -> Vec<String> {
        let entries = self.driver.log("browser");
        entries.iter().map(|entry| entry["message"].to_string()).collect()
    }

    /// Addresses that pages asked for since this was last asked, but for files and
    /// what stands in the page itself.
    pub fn requests(&self) -> Vec<String> {
        let entries = self.driver.log("performance");
        let sent = entries.iter().filter_map(|entry| {
            let event: Value = serde_json::from_str(entry["message"].as_str()?).ok()?;
            let event = &event["message"];
            let sends = ["Network.requestWillBeSent", "Network.webSocketCreated"];
            let url = match event["method"].as_str()? {
                method if method == sends[0] => &event["params"]["request"]["url"],
                method if method == sends[1] => &event["params"]["url"],
                _ => return None,
            };
            url.as_str().map(str::to_owned)
        });
        let own = ["file:", "data:", "blob:", "about:", "chrome:"];
        sent.filter(|url| !own.iter().any(|scheme| url.starts_with(scheme))).collect()
    }

    /// A command of the browser's own protocol, for what WebDriver has no word for.
    pub fn devtools(&self, command: &str, parameters: Value) -> Value {
        self.driver.post("goog/cdp/execute", json!({"cmd": command, "params": parameters}))
    }
}

fn decoded(text: &Value) -> Vec<u8> {
    STANDARD.decode(text.as_str().expect("bytes as text")).expect("base64")
}

/// Names in our folders may hold anything but what a URL gives a meaning of its own.
fn file_url(path: &Path) -> String {
    let path = path.to_str().expect("a path in UTF-8");
    let escaped = |c: char| match c {
        '%' | '#' | '?' | ' ' | '"' | '<' | '>' | '\\' => format!("%{:02X}", c as u32),
        c => c.to_string(),
    };
    format!("file://{}", path.chars().map(escaped).collect::<String>())
}
