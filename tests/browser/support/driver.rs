//! The driver's process and the one session in it: commands in, answers out.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use tempfile::TempDir;
use ureq::Agent;

/// No answer of ours is larger: screenshots are.
const MOST_BYTES: u64 = 200 << 20;
const PATIENCE: Duration = Duration::from_secs(120);

pub struct Driver {
    process: Child,
    agent: Agent,
    session: String,
    /// Goes away with the browser.
    _profile: TempDir,
}

impl Driver {
    /// `None`, and a word, where Chromium or its driver is missing.
    pub fn start() -> Option<Driver> {
        let found = on_path("chromium").zip(on_path("chromedriver"));
        let Some((chromium, chromedriver)) = found else {
            eprintln!("skipped: no chromium and chromedriver on this machine");
            return None;
        };
        let mut process = Command::new(chromedriver)
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the driver starts");
        let port = port(&mut process);
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(PATIENCE))
            .proxy(None)
            .build()
            .new_agent();
        let profile = tempfile::tempdir().expect("a folder for the profile");
        let mut driver = Driver {
            process,
            agent,
            session: format!("http://127.0.0.1:{port}/session"),
            _profile: profile,
        };
        let opened = driver.post("", driver.wishes(&chromium));
        let id = opened["sessionId"].as_str().expect("a session");
        driver.session = format!("{}/{id}", driver.session);
        Some(driver)
    }

    fn wishes(&self, chromium: &std::path::Path) -> Value {
        let profile = format!("--user-data-dir={}", self._profile.path().display());
        let flags = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--force-device-scale-factor=1",
            &profile,
        ];
        json!({"capabilities": {"alwaysMatch": {
            "browserName": "chrome",
            "goog:chromeOptions": {"binary": chromium, "args": flags},
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
        }}})
    }

    #[track_caller]
    pub fn get(&self, command: &str) -> Value {
        answer(command, self.agent.get(self.url(command)).call())
    }

    #[track_caller]
    pub fn post(&self, command: &str, body: Value) -> Value {
        let request = self.agent.post(self.url(command)).content_type("application/json");
        answer(command, request.send(body.to_string()))
    }

    /// Entries since the same was last asked.
    pub fn log(&self, kind: &str) -> Vec<Value> {
        let entries = self.post("se/log", json!({"type": kind}));
        entries.as_array().cloned().expect("a list of entries")
    }

    fn url(&self, command: &str) -> String {
        match command {
            "" => self.session.clone(),
            command => format!("{}/{command}", self.session),
        }
    }
}

impl Drop for Driver {
    /// The browser ends with its session, the driver by hand.
    fn drop(&mut self) {
        let _ = self.agent.delete(&self.session).call();
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[track_caller]
fn answer(command: &str, sent: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Value {
    let mut response = sent.unwrap_or_else(|e| panic!("{command}: {e}"));
    let text = response.body_mut().with_config().limit(MOST_BYTES).read_to_string();
    let text = text.unwrap_or_else(|e| panic!("{command}: {e}"));
    let mut answer: Value = serde_json::from_str(&text).expect("an answer in JSON");
    let value = answer["value"].take();
    let refused = value.get("error").filter(|_| !response.status().is_success());
    assert!(refused.is_none(), "{command}: {} {}", value["error"], value["message"]);
    value
}

/// The driver names the free port it took on one of its first lines.
fn port(process: &mut Child) -> u16 {
    let mut lines = BufReader::new(process.stdout.take().expect("its output")).lines();
    let named = lines.by_ref().map_while(Result::ok).find_map(|line| {
        let digits = line.strip_suffix('.').unwrap_or(&line).rsplit(' ').next()?.parse().ok();
        digits.filter(|_| line.contains("started successfully"))
    });
    // Read on, or its next line would find nobody.
    std::thread::spawn(move || lines.for_each(drop));
    named.expect("the driver tells its port")
}

fn on_path(program: &str) -> Option<PathBuf> {
    let folders = std::env::var_os("PATH")?;
    std::env::split_paths(&folders).map(|folder| folder.join(program)).find(|path| path.is_file())
}
