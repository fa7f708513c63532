//! A log read with its settings recorded, so that the same can be done again.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::car::{Car, Job};
use crate::compare::Recorded;
use crate::comparison::{InputFile, Settings};
use crate::files::resolved;
use crate::format::shown;
use crate::ingest::{self, ReadOptions, RoleRequest, word_of};
use crate::{DiagnoseError, diagnose};

/// Where the files that settings name really are.
pub struct Places {
    pub log: PathBuf,
    pub marks: Option<PathBuf>,
    pub curve: Option<PathBuf>,
}

/// What a person stated of one log, before it is read.
pub struct Stated {
    pub car: Car,
    pub read: ReadOptions,
}

/// Reads and diagnoses a log. `report` is the folder that its paths are relative to.
pub fn record(
    log: &Path,
    stated: Stated,
    report: &Path,
) -> Result<Recorded, Box<dyn std::error::Error>> {
    let input = |path: &Path| input(path, report);
    let curve = stated.car.alternator.curve.clone();
    let settings = Settings {
        path: path_from(report, log)?,
        columns: stated.read.columns.iter().map(as_flag).collect(),
        sample_rate_hz: stated.read.sample_rate_hz,
        nominal_v: stated.read.nominal,
        marks: stated.read.marks_file.as_deref().map(input).transpose()?,
        curve: curve.as_deref().map(input).transpose()?,
        car: bare(stated.car.clone()),
    };
    let places = Places { log: log.to_path_buf(), marks: stated.read.marks_file.clone(), curve };
    rerun(settings, &places)
}

/// A file that is read, as seen from the folder `report`.
pub fn input(path: &Path, report: &Path) -> io::Result<InputFile> {
    Ok(InputFile { path: path_from(report, path)?, sha256: sha256_of(path)? })
}

/// Reads and diagnoses a log as its settings say.
pub fn rerun(settings: Settings, places: &Places) -> Result<Recorded, Box<dyn std::error::Error>> {
    let mut car = settings.car.clone();
    car.alternator.curve = places.curve.clone();
    // A proof may have been changed since it was written.
    if let Some((_, wrong)) = car.senseless() {
        return Err(wrong.into());
    }
    car.read_sheet()?;
    let columns: Result<Vec<RoleRequest>, _> =
        settings.columns.iter().map(|text| text.parse()).collect();
    let read = ReadOptions {
        columns: columns?,
        sample_rate_hz: settings.sample_rate_hz,
        marks: Vec::new(),
        marks_file: places.marks.clone(),
        nominal: settings.nominal_v,
    };
    let log = ingest::read(&places.log, &read)?;
    // A car's file may know more loads than one log shows.
    car.name_loads(log.load_names());
    let diagnosis = diagnose(&log, &car)
        .map_err(|error: DiagnoseError| format!("{}: {error}", shown(&places.log)))?;
    Ok(Recorded { diagnosis, settings })
}

/// The facts that a diagnosis uses, without what is recorded elsewhere.
pub fn bare(mut car: Car) -> Car {
    car.columns.clear();
    car.alternator.curve = None;
    car.alternator.sheet = None;
    car.acceptance = None;
    car.job = Job::default();
    car
}

fn as_flag(request: &RoleRequest) -> String {
    format!("{}={}", word_of(request.role), request.name)
}

/// Of a file, however long. A proof that came from elsewhere may name a device or a
/// pipe, which never end.
pub fn sha256_of(path: &Path) -> io::Result<String> {
    if !fs::metadata(path)?.is_file() {
        return Err(io::Error::other("it is not a regular file"));
    }
    let mut hasher = Sha256::new();
    let mut file = File::open(path)?;
    let mut chunk = vec![0; 1 << 16];
    loop {
        match file.read(&mut chunk)? {
            0 => break,
            read => hasher.update(chunk.get(..read).unwrap_or(&[])),
        }
    }
    let digest = hasher.finalize();
    Ok(digest.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// `path` as seen from the folder `report`, which need not exist yet, with `/`
/// between folders.
pub fn path_from(report: &Path, path: &Path) -> io::Result<String> {
    let (report, path) = (resolved(report)?, resolved(path)?);
    let seen = pathdiff::diff_paths(&path, &report).unwrap_or(path);
    let parts: Vec<String> =
        seen.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
    Ok(parts.join("/"))
}
