//! The report folder: all of it or none of it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::diagnosis::Diagnosis;

use super::{html, json, svg, tables};

const DIAGNOSIS_FILE: &str = "diagnosis.json";
/// Written where the log has two taps or a ground tap.
const LINE_DROP_FILE: &str = "line_drop.csv";
/// Every file of a report but the plots of its steps.
const PLAIN_FILES: [&str; 11] = [
    "report.html",
    DIAGNOSIS_FILE,
    "trace.svg",
    "speed.svg",
    "output.svg",
    "deficit.svg",
    "heat.svg",
    "load_steps.csv",
    "operating_points.csv",
    LINE_DROP_FILE,
    "output_curve.csv",
];

/// What may be done with a folder that is already there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overwrite {
    /// Replace a report of the same log (same sha256); refuse anything else.
    #[default]
    SameLog,
    /// Put the report into whatever folder is there.
    Force,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    pub dir: PathBuf,
    /// File names within `dir`, in the order a reader would open them.
    pub files: Vec<String>,
    /// Whether an older report gave way.
    pub replaced: bool,
}

#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error(
        "{dir}: holds the report of another log ({file}, sha256 {sha256}).\n\
         Choose another folder with --out, or replace that report with --force."
    )]
    AnotherLog { dir: String, file: String, sha256: String },
    #[error(
        "{dir}: is not empty and is not a report folder (it has no readable {DIAGNOSIS_FILE}).\n\
         Choose another folder with --out, or replace it with --force."
    )]
    NotAReport { dir: String },
    #[error("{dir}: is a file, not a folder. Choose another folder with --out.")]
    NotAFolder { dir: String },
    #[error(
        "{dir}: the new report is in place, but files that stood beside the old one could \
         not be moved to it: {cause}\nThey are kept here."
    )]
    LeftAside { dir: String, cause: io::Error },
    #[error("{dir}: the old report was moved here and could not be moved back: {cause}")]
    OldAside { dir: String, cause: io::Error },
    #[error("{path}: could not write the report here: {cause}\nNothing was changed.")]
    Io { path: String, cause: io::Error },
}

/// Write every file of the report of `diagnosis` into `dir`.
///
/// The whole report is made in memory, written into a temporary folder beside
/// `dir` and then renamed, so a reader meets the old report or the new one,
/// never a mixture. Files in `dir` that no report wrote are kept.
pub fn write_folder(
    diagnosis: &Diagnosis,
    dir: &Path,
    policy: Overwrite,
) -> Result<Written, ReportError> {
    let occupied = check(diagnosis, dir, policy)?;
    let files = render(diagnosis);

    let parent = match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    fs::create_dir_all(parent).map_err(at(parent))?;
    let fresh = sibling(parent)?;
    let staged = fresh.path().join("new");
    fs::create_dir(&staged).map_err(at(&staged))?;
    for (name, text) in &files {
        let path = staged.join(name);
        fs::write(&path, text).map_err(at(&path))?;
    }

    // A folder cannot be renamed onto a full one: the old one steps aside, and
    // steps back should the new one fail to take its place.
    let aside = fresh.path().join("old");
    if occupied {
        fs::rename(dir, &aside).map_err(at(dir))?;
    }
    if let Err(cause) = fs::rename(&staged, dir) {
        if occupied && fs::rename(&aside, dir).is_err() {
            // Better a folder left over than a report lost.
            let kept = fresh.keep().join("old");
            return Err(ReportError::OldAside { dir: kept.display().to_string(), cause });
        }
        return Err(at(dir)(cause));
    }
    if occupied && let Err(cause) = carry_over(&aside, dir) {
        let kept = fresh.keep().join("old");
        return Err(ReportError::LeftAside { dir: kept.display().to_string(), cause });
    }
    Ok(Written {
        dir: dir.to_owned(),
        files: files.into_iter().map(|(name, _)| name).collect(),
        replaced: occupied,
    })
}

/// Move what a person put into the old folder into the new one.
fn carry_over(old: &Path, new: &Path) -> io::Result<()> {
    for entry in fs::read_dir(old)? {
        let name = entry?.file_name();
        if !is_report_file(&name.to_string_lossy()) {
            fs::rename(old.join(&name), new.join(&name))?;
        }
    }
    Ok(())
}

fn is_report_file(name: &str) -> bool {
    let step = name.strip_prefix("step-").and_then(|rest| rest.strip_suffix(".svg"));
    let is_step = step.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
    is_step || PLAIN_FILES.contains(&name)
}

/// Whether a folder stands at `dir`, and whether it may be replaced.
fn check(diagnosis: &Diagnosis, dir: &Path, policy: Overwrite) -> Result<bool, ReportError> {
    let shown = || dir.display().to_string();
    match fs::metadata(dir) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(error) => return Err(at(dir)(error)),
        Ok(found) if !found.is_dir() => return Err(ReportError::NotAFolder { dir: shown() }),
        Ok(_) => {}
    }
    if policy == Overwrite::Force || fs::read_dir(dir).map_err(at(dir))?.next().is_none() {
        return Ok(true);
    }
    match report_of(dir) {
        Some((_, sha256)) if sha256 == diagnosis.source.sha256 => Ok(true),
        Some((file, sha256)) => Err(ReportError::AnotherLog { dir: shown(), file, sha256 }),
        None => Err(ReportError::NotAReport { dir: shown() }),
    }
}

/// File name and sha256 of the log whose report stands in `dir`. Only these
/// fields are read, so that a report of an older version is still known.
fn report_of(dir: &Path) -> Option<(String, String)> {
    let bytes = fs::read(dir.join(DIAGNOSIS_FILE)).ok()?;
    let value: serde_json::Value = serde_json::from_slice(&bytes).ok()?;
    value.get("schema")?.as_str()?.strip_prefix("stiffbus.diagnosis.")?;
    let source = value.get("source")?;
    let word = |key: &str| Some(super::words::plain(source.get(key)?.as_str()?));
    Some((word("file")?, word("sha256")?))
}

fn render(diagnosis: &Diagnosis) -> Vec<(String, String)> {
    let mut files = vec![
        ("report.html".to_owned(), html::html(diagnosis)),
        (DIAGNOSIS_FILE.to_owned(), json(diagnosis)),
        ("trace.svg".to_owned(), svg::trace(diagnosis)),
    ];
    // Each is left out where the log has nothing for it.
    let others = [
        ("speed.svg", svg::speed(diagnosis)),
        ("deficit.svg", svg::deficit(diagnosis)),
        ("heat.svg", svg::heat(diagnosis)),
        ("output.svg", svg::output(diagnosis)),
    ];
    files.extend(others.into_iter().filter_map(|(name, svg)| Some((name.to_owned(), svg?))));
    for (index, step) in diagnosis.load_steps.iter().enumerate() {
        files.push((format!("step-{:02}.svg", step.number), svg::step(diagnosis, index)));
    }
    files.push(("load_steps.csv".to_owned(), tables::steps_csv(diagnosis)));
    files.push(("operating_points.csv".to_owned(), tables::operating_points_csv(diagnosis)));
    if !diagnosis.line_drop.is_empty() {
        files.push((LINE_DROP_FILE.to_owned(), tables::line_drop_csv(diagnosis)));
    }
    if let Some(curve) = tables::output_curve_csv(diagnosis) {
        files.push(("output_curve.csv".to_owned(), curve));
    }
    files
}

fn sibling(parent: &Path) -> Result<tempfile::TempDir, ReportError> {
    tempfile::Builder::new().prefix(".stiffbus-").tempdir_in(parent).map_err(at(parent))
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> ReportError {
    let path = path.display().to_string();
    move |cause| ReportError::Io { path, cause }
}
