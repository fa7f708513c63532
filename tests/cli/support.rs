//! Runs the binary in a folder of its own.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

pub struct Run {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

impl Run {
    fn of(output: Output) -> Run {
        Run {
            code: output.status.code().expect("it ends by itself"),
            stdout: String::from_utf8(output.stdout).expect("text"),
            stderr: String::from_utf8(output.stderr).expect("text"),
        }
    }

    #[track_caller]
    pub fn ends(self, code: i32) -> Run {
        assert_eq!(self.code, code, "stdout: {}\nstderr: {}", self.stdout, self.stderr);
        self
    }

    /// Every part is in what went to standard error.
    #[track_caller]
    pub fn complains(self, parts: &[&str]) -> Run {
        for part in parts {
            assert!(self.stderr.contains(part), "no \"{part}\" in: {}", self.stderr);
        }
        assert!(!self.stderr.contains("panicked"), "{}", self.stderr);
        self
    }

    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|e| panic!("{e}: {}", self.stdout))
    }
}

/// A folder to stand in.
pub struct Garage {
    folder: TempDir,
}

impl Garage {
    pub fn new() -> Garage {
        Garage { folder: tempfile::tempdir().expect("a folder") }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    pub fn command<S: AsRef<std::ffi::OsStr>>(&self, args: &[S]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stiffbus"));
        command.args(args).current_dir(self.path());
        command.env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE").env_remove("COLUMNS");
        command
    }

    pub fn run<S: AsRef<std::ffi::OsStr>>(&self, args: &[S]) -> Run {
        Run::of(self.command(args).output().expect("the binary runs"))
    }

    pub fn put(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
        std::fs::write(&path, bytes).expect("the test's own file");
        path
    }

    /// A committed sample log, under another name.
    pub fn put_sample(&self, sample: &str, name: &str) -> PathBuf {
        self.put(name, std::fs::read(sample_logs().join(sample)).expect("the sample"))
    }

    /// Every file and folder, by name below the garage; temporary leftovers too.
    pub fn names(&self) -> Vec<String> {
        let mut names = Vec::new();
        walk(self.path(), self.path(), &mut names);
        names.sort();
        names
    }

    pub fn has(&self, name: &str) -> bool {
        self.path().join(name).exists()
    }

    pub fn text(&self, name: &str) -> String {
        let path = self.path().join(name);
        std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
    }
}

fn walk(top: &Path, folder: &Path, names: &mut Vec<String>) {
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        names.push(path.strip_prefix(top).expect("below").to_string_lossy().into_owned());
        if path.is_dir() {
            walk(top, &path, names);
        }
    }
}

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub fn sample_logs() -> PathBuf {
    root().join("sample-logs")
}

/// One sample of a small invented log.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    pub i: usize,
    pub t: f64,
    pub v: f64,
    pub rpm: f64,
    pub fan: bool,
}

/// Rest, a start, idle with a fan on from 40 s to 60 s: ten samples a second,
/// 14.20 V held, 1.1 V lost to the fan.
pub fn rows() -> Vec<Row> {
    (0..900)
        .map(|i| {
            let t = i as f64 / 10.0;
            let fan = (40.0..60.0).contains(&t);
            let noise_model = 0.01 * (i % 3) as f64;
            let (v, rpm) = match t {
                t if t < 10.0 => (12.60 + noise_model, 0.0),
                t if t < 11.0 => (10.20 + noise_model, 180.0),
                _ if fan => (13.10 + noise_model, 850.0),
                _ => (14.20 + noise_model, 850.0 + (i % 5) as f64),
            };
            Row { i, t, v, rpm, fan }
        })
        .collect()
}

pub fn csv(header: &str, line: impl Fn(&Row) -> String) -> String {
    let mut text = format!("{header}\n");
    for row in rows() {
        text.push_str(&line(&row));
        text.push('\n');
    }
    text
}

/// The small log as a plain CSV.
pub fn plain() -> String {
    csv("time (s),battery voltage (V),engine rpm,fan", |r| {
        format!("{:.1},{:.2},{:.0},{}", r.t, r.v, r.rpm, u8::from(r.fan))
    })
}
