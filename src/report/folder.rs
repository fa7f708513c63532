//! Writing a folder: all of it or none of it.

mod existing_output;

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::files::{Leftover, StagingDir, exchange, folder_of, leftovers};

use super::format::shown;
use super::product::{Kind, LogRead, Product};
use existing_output::ExistingOutput;

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
        "{dir}: holds the {holds} of {logs}, which a {made} does not replace unless told to.\n\
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
        "{dir}: the new {kind} is in place, but files beside the old one could not \
         be moved to it: {cause}\nThey are kept here."
    )]
    LeftAside { dir: String, kind: Kind, cause: io::Error },
    #[error("{dir}: the old {kind} was moved here and could not be moved back: {cause}")]
    OldAside { dir: String, kind: Kind, cause: io::Error },
    #[error("{path}: could not write the {kind} here: {cause}\nNothing was changed.")]
    Io { path: String, kind: Kind, cause: io::Error },
}

/// Write every file of `product` into `dir`.
///
/// All of it is made in memory, written into a temporary folder beside `dir` and then
/// renamed, so a reader meets the old folder or the new one, never a mixture. Files in
/// `dir` that stiffbus did not write are kept.
pub fn write_folder<P: Product>(
    product: &P,
    dir: &Path,
    policy: Overwrite,
) -> Result<Written, ReportError> {
    let kind = P::KIND;
    // A link stays a link: what it leads to is replaced.
    let real = dir.canonicalize();
    let dir = real.as_deref().unwrap_or(dir);
    let parent = folder_of(dir);
    leftovers(parent).into_iter().for_each(settle);
    let old = check(kind, &product.logs(), dir, policy)?;
    let files = product.files();

    fs::create_dir_all(parent).map_err(at(kind, parent))?;
    let aside = StagingDir::beside(dir).map_err(at(kind, parent))?;
    let staged = aside.new_output();
    fs::create_dir(&staged).map_err(at(kind, dir))?;
    for (name, text) in &files {
        fs::write(staged.join(name), text).map_err(at(kind, dir))?;
    }
    let aside = match old {
        None => fs::rename(&staged, dir).map(|()| aside).map_err(at(kind, dir))?,
        Some(_) => replace(kind, aside, dir)?,
    };
    let replaced = old.is_some();
    if let Some(kinds) = old
        && let Err(cause) = carry_over(&aside.existing_output(), dir, &kinds)
            .and_then(|()| aside.discard_existing())
    {
        let kept = aside.keep().join("old");
        return Err(ReportError::LeftAside { dir: shown(&kept), kind, cause });
    }
    Ok(Written {
        dir: dir.to_owned(),
        files: files.into_iter().map(|(name, _)| name).collect(),
        replaced,
    })
}

/// The new folder takes the place of the old one, which steps aside.
fn replace(kind: Kind, aside: StagingDir, dir: &Path) -> Result<StagingDir, ReportError> {
    let (staged, stood) = (aside.new_output(), aside.existing_output());
    if let Some(name) = dir.file_name().and_then(OsStr::to_str) {
        aside.is_for(name).map_err(at(kind, aside.path()))?;
    }
    // Under this name before the step, so that it has the right one after it.
    fs::rename(&staged, &stood).map_err(at(kind, &staged))?;
    match exchange(&stood, dir) {
        Err(error) if error.kind() == io::ErrorKind::Unsupported => {}
        done => return done.map(|()| aside).map_err(at(kind, dir)),
    }
    // In two steps, then, the first of which is taken back should the second fail.
    fs::rename(&stood, &staged).map_err(at(kind, &staged))?;
    fs::rename(dir, &stood).map_err(at(kind, dir))?;
    let Err(cause) = fs::rename(&staged, dir) else { return Ok(aside) };
    if fs::rename(&stood, dir).is_err() {
        // Better a folder left over than a report lost.
        let kept = aside.keep().join("old");
        return Err(ReportError::OldAside { dir: shown(&kept), kind, cause });
    }
    Err(at(kind, dir)(cause))
}

/// Ends what a run that was killed had begun: an old report whose place is empty goes
/// back there, and what a person had put beside one goes to the new one.
fn settle(leftover: Leftover) {
    let stood = leftover.existing_output();
    if stood.is_dir() {
        let Some(dir) = leftover.is_for() else { return };
        let kinds: Vec<Kind> = ExistingOutput::all_in(&stood).iter().map(|s| s.kind).collect();
        let settled =
            if dir.exists() { carry_over(&stood, &dir, &kinds) } else { fs::rename(&stood, &dir) };
        if settled.is_err() {
            return;
        }
    }
    leftover.remove();
}

/// Move what a person put into the old folder into the new one; what was written
/// for one of `kinds` is dropped.
fn carry_over(old: &Path, new: &Path, kinds: &[Kind]) -> io::Result<()> {
    for entry in fs::read_dir(old)? {
        let name = entry?.file_name();
        if kinds.iter().any(|kind| kind.writes(&name.to_string_lossy())) {
            continue;
        }
        if new.join(&name).exists() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        fs::rename(old.join(&name), new.join(&name))?;
    }
    Ok(())
}

/// Whether a folder exists at `dir` and may be replaced, and what kinds of ours
/// it then holds; this `kind` always is one of them.
fn check(
    kind: Kind,
    logs: &[LogRead],
    dir: &Path,
    policy: Overwrite,
) -> Result<Option<Vec<Kind>>, ReportError> {
    let shown = || shown(dir);
    match fs::metadata(dir) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(at(kind, dir)(error)),
        Ok(found) if !found.is_dir() => return Err(ReportError::NotAFolder { dir: shown() }),
        Ok(_) => {}
    }
    let stands = ExistingOutput::all_in(dir);
    let others = stands.iter().map(|old| old.kind).filter(|other| *other != kind);
    let kinds = || [kind].into_iter().chain(others.clone()).collect();
    if policy == Overwrite::Force || fs::read_dir(dir).map_err(at(kind, dir))?.next().is_none() {
        return Ok(Some(kinds()));
    }
    if let Some(old) = stands.iter().find(|old| old.kind != kind) {
        let (holds, logs) = (old.kind, old.log_names());
        return Err(ReportError::AnotherKind { dir: shown(), holds, logs, made: kind });
    }
    match stands.first() {
        Some(old) if old.is_of(logs) => Ok(Some(kinds())),
        Some(old) => Err(old.of_others(shown())),
        None => Err(ReportError::NotAReport { dir: shown(), kind }),
    }
}

fn at(kind: Kind, path: &Path) -> impl FnOnce(io::Error) -> ReportError {
    let path = shown(path);
    move |cause| ReportError::Io { path, kind, cause }
}
