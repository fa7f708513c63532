//! The reports in the folder: written, listed, served.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use axum::extract::{Path as UrlPath, State};
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderValue, StatusCode};
use axum::response::{Html, IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::Bench;
use crate::diagnosis::{Diagnosis, Verdict};
use crate::files::read_at_most;
use crate::report::serve::{self as page, ListedReport};
use crate::report::{self, Kind, Overwrite, ReportError};
use crate::verbs::named::{safe_name, stem_of};

/// Reports of one name; more are not readable.
const MOST_OF_A_NAME: usize = 1000;
/// A file of a report is far smaller.
const MOST_BYTES: u64 = 64 << 20;

pub struct ReportStore {
    folder: PathBuf,
}

/// A report, as sent to the page.
#[derive(Debug, Serialize)]
pub struct Placed {
    /// The way to it from the page.
    report: String,
    folder: String,
    headline: String,
}

/// What the list needs of a `diagnosis.json`.
#[derive(Deserialize)]
struct Short {
    source: ShortSource,
    verdict: Verdict,
}

#[derive(Deserialize)]
struct ShortSource {
    file: String,
}

impl ReportStore {
    /// Beside the logs, where `stiffbus LOG` puts its reports too.
    pub fn of(home: &Path) -> ReportStore {
        ReportStore { folder: home.join("stiffbus-report") }
    }

    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Writes the report under the log's name, or the first numbered one that is free
    /// or holds the report of the very same log.
    pub fn place(&self, log: &str, diagnosis: &Diagnosis) -> Result<Placed, ReportError> {
        let name = safe_name(stem_of(log));
        let mut number = 1;
        loop {
            let folder = if number == 1 { name.clone() } else { format!("{name}-{number}") };
            match report::write_folder(diagnosis, &self.folder.join(&folder), Overwrite::SameLog) {
                Ok(_) => {
                    return Ok(Placed {
                        report: page::link(&folder),
                        folder,
                        headline: diagnosis.verdict.headline.clone(),
                    });
                }
                Err(error) if is_taken(&error) && number < MOST_OF_A_NAME => number += 1,
                Err(error) => return Err(error),
            }
        }
    }

    /// The newest first.
    fn standing(&self) -> Vec<ListedReport> {
        let entries = std::fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut found: Vec<(SystemTime, ListedReport)> = entries
            .filter_map(|entry| {
                let folder = entry.file_name().into_string().ok()?;
                let marker = entry.path().join(Kind::Report.marker());
                let written = marker.metadata().ok()?.modified().ok()?;
                let bytes = read_at_most(&marker, MOST_BYTES).ok()?;
                let Short { source, verdict } = serde_json::from_slice(&bytes).ok()?;
                Some((written, ListedReport { folder, log: source.file, verdict }))
            })
            .collect();
        found.sort_by(|a, b| b.0.cmp(&a.0).then_with(|| a.1.folder.cmp(&b.1.folder)));
        found.into_iter().map(|(_, standing)| standing).collect()
    }

    /// A file of a report in this folder, and nothing else on this computer.
    fn read(&self, name: &str, file: &str) -> Option<Vec<u8>> {
        let plain =
            |part: &str| !part.contains(['/', '\\', ':', '\0']) && !matches!(part, "" | "." | "..");
        if !plain(name) || !plain(file) || !Kind::Report.writes(file) {
            return None;
        }
        let home = self.folder.canonicalize().ok()?;
        let path = home.join(name).join(file).canonicalize().ok()?;
        if path.parent()?.parent()? != home || !path.is_file() {
            return None;
        }
        read_at_most(&path, MOST_BYTES).ok()
    }
}

fn is_taken(error: &ReportError) -> bool {
    matches!(
        error,
        ReportError::AnotherLog { .. }
            | ReportError::OtherLogs { .. }
            | ReportError::AnotherKind { .. }
            | ReportError::NotAReport { .. }
            | ReportError::NotAFolder { .. }
    )
}

pub async fn page(State(bench): State<Arc<Bench>>) -> Html<String> {
    Html(page::html(&bench.reports.standing(), bench.reports.folder()))
}

pub async fn file(
    State(bench): State<Arc<Bench>>,
    UrlPath((name, file)): UrlPath<(String, String)>,
) -> Response {
    let Some(bytes) = bench.reports.read(&name, &file) else {
        return (StatusCode::NOT_FOUND, "There is no report of that name here.\n").into_response();
    };
    let kind = match file.rsplit('.').next() {
        Some("html") => "text/html; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("json") => "application/json",
        Some("csv") => "text/csv; charset=utf-8",
        _ => "application/octet-stream",
    };
    ([(CONTENT_TYPE, HeaderValue::from_static(kind))], bytes).into_response()
}
