//! The folder of a report or of a proof: all of it or none of it.

mod standing;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::comparison::Comparison;
use crate::diagnosis::Diagnosis;
use crate::plan::Plan;

use super::{html, json, proof, svg, tables};
use standing::{LINE_DROP_FILE, LogRead, Standing};

pub use standing::Kind;

/// What may be done with a folder that is already there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overwrite {
    /// Replace what was made of the same logs (same sha256); refuse anything else.
    #[default]
    SameLog,
    /// Replace whatever report or proof is there.
    Force,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    pub dir: PathBuf,
    /// File names within `dir`, in the order a reader would open them.
    pub files: Vec<String>,
    /// Whether a folder that was there gave way.
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
        "{dir}: holds the proof of other logs ({logs}).\n\
         Choose another folder with --out, or replace that proof with --force."
    )]
    OtherLogs { dir: String, logs: String },
    #[error(
        "{dir}: holds the {holds} of {logs}, which no {made} replaces unasked.\n\
         Choose another folder with --out, or replace that {holds} with --force."
    )]
    AnotherKind { dir: String, holds: Kind, logs: String, made: Kind },
    #[error(
        "{dir}: is not empty and is not a {kind} folder (it has no readable {}).\n\
         Choose another folder with --out, or replace it with --force.", .kind.marker()
    )]
    NotAReport { dir: String, kind: Kind },
    #[error("{dir}: is a file, not a folder. Choose another folder with --out.")]
    NotAFolder { dir: String },
    #[error(
        "{dir}: the new {kind} is in place, but files that stood beside the old one could \
         not be moved to it: {cause}\nThey are kept here."
    )]
    LeftAside { dir: String, kind: Kind, cause: io::Error },
    #[error("{dir}: the old {kind} was moved here and could not be moved back: {cause}")]
    OldAside { dir: String, kind: Kind, cause: io::Error },
    #[error("{path}: could not write the {kind} here: {cause}\nNothing was changed.")]
    Io { path: String, kind: Kind, cause: io::Error },
}

/// What goes into a folder.
struct Bundle<Files> {
    kind: Kind,
    logs: Vec<LogRead>,
    /// Name and text of each; made once it is known that they may be written.
    files: Files,
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
    let logs = vec![LogRead::of(&diagnosis.source)];
    write(Bundle { kind: Kind::Report, logs, files: || render(diagnosis) }, dir, policy)
}

/// Write every file of the proof that `comparison` is into `dir`, as
/// [`write_folder`] writes a report.
pub fn write_proof(
    comparison: &Comparison,
    dir: &Path,
    policy: Overwrite,
) -> Result<Written, ReportError> {
    let afters = comparison.afters.iter().map(|after| &after.side.source);
    let logs = [&comparison.before.source].into_iter().chain(afters).map(LogRead::of).collect();
    write(Bundle { kind: Kind::Proof, logs, files: || proof::files(comparison) }, dir, policy)
}

/// Write every file of `plan` into `dir`, as [`write_folder`] writes a report.
pub fn write_plan(plan: &Plan, dir: &Path, policy: Overwrite) -> Result<Written, ReportError> {
    let logs = vec![LogRead::of(&plan.source)];
    write(Bundle { kind: Kind::Plan, logs, files: || super::plan::files(plan) }, dir, policy)
}

fn write<Files>(
    bundle: Bundle<Files>,
    dir: &Path,
    policy: Overwrite,
) -> Result<Written, ReportError>
where
    Files: FnOnce() -> Vec<(String, String)>,
{
    let kind = bundle.kind;
    let old = check(kind, &bundle.logs, dir, policy)?;
    let files = (bundle.files)();

    let parent = match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    fs::create_dir_all(parent).map_err(at(kind, parent))?;
    let fresh = sibling(kind, parent)?;
    let staged = fresh.path().join("new");
    fs::create_dir(&staged).map_err(at(kind, &staged))?;
    for (name, text) in &files {
        let path = staged.join(name);
        fs::write(&path, text).map_err(at(kind, &path))?;
    }

    // A folder cannot be renamed onto a full one: the old one steps aside, and
    // steps back should the new one fail to take its place.
    let aside = fresh.path().join("old");
    if old.is_some() {
        fs::rename(dir, &aside).map_err(at(kind, dir))?;
    }
    if let Err(cause) = fs::rename(&staged, dir) {
        if old.is_some() && fs::rename(&aside, dir).is_err() {
            // Better a folder left over than a report lost.
            let kept = fresh.keep().join("old");
            return Err(ReportError::OldAside { dir: kept.display().to_string(), kind, cause });
        }
        return Err(at(kind, dir)(cause));
    }
    let replaced = old.is_some();
    if let Some(kinds) = old
        && let Err(cause) = carry_over(&aside, dir, &kinds)
    {
        let kept = fresh.keep().join("old");
        return Err(ReportError::LeftAside { dir: kept.display().to_string(), kind, cause });
    }
    Ok(Written {
        dir: dir.to_owned(),
        files: files.into_iter().map(|(name, _)| name).collect(),
        replaced,
    })
}

/// Move what a person put into the old folder into the new one; what was written
/// for one of `kinds` gives way.
fn carry_over(old: &Path, new: &Path, kinds: &[Kind]) -> io::Result<()> {
    for entry in fs::read_dir(old)? {
        let name = entry?.file_name();
        if !kinds.iter().any(|kind| kind.writes(&name.to_string_lossy())) {
            fs::rename(old.join(&name), new.join(&name))?;
        }
    }
    Ok(())
}

/// Whether a folder stands at `dir` and may be replaced, and what kinds of ours
/// it then holds; this `kind` always is one of them.
fn check(
    kind: Kind,
    logs: &[LogRead],
    dir: &Path,
    policy: Overwrite,
) -> Result<Option<Vec<Kind>>, ReportError> {
    let shown = || dir.display().to_string();
    match fs::metadata(dir) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(at(kind, dir)(error)),
        Ok(found) if !found.is_dir() => return Err(ReportError::NotAFolder { dir: shown() }),
        Ok(_) => {}
    }
    let stands = Standing::all_in(dir);
    let others = stands.iter().map(|old| old.kind).filter(|other| *other != kind);
    let kinds = || [kind].into_iter().chain(others.clone()).collect();
    if policy == Overwrite::Force || fs::read_dir(dir).map_err(at(kind, dir))?.next().is_none() {
        return Ok(Some(kinds()));
    }
    if let Some(old) = stands.iter().find(|old| old.kind != kind) {
        let (holds, logs) = (old.kind, old.told());
        return Err(ReportError::AnotherKind { dir: shown(), holds, logs, made: kind });
    }
    match stands.first() {
        Some(old) if old.is_of(logs) => Ok(Some(kinds())),
        Some(old) => Err(old.of_others(shown())),
        None => Err(ReportError::NotAReport { dir: shown(), kind }),
    }
}

fn render(diagnosis: &Diagnosis) -> Vec<(String, String)> {
    let mut files = vec![
        ("report.html".to_owned(), html::html(diagnosis)),
        (Kind::Report.marker().to_owned(), json(diagnosis)),
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

fn sibling(kind: Kind, parent: &Path) -> Result<tempfile::TempDir, ReportError> {
    tempfile::Builder::new().prefix(".stiffbus-").tempdir_in(parent).map_err(at(kind, parent))
}

fn at(kind: Kind, path: &Path) -> impl FnOnce(io::Error) -> ReportError {
    let path = path.display().to_string();
    move |cause| ReportError::Io { path, kind, cause }
}
