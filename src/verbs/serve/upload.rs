//! A log that was dropped on the page: read, diagnosed, reported.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Bytes, to_bytes};
use axum::extract::{RawQuery, Request, State};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::Bench;
use super::report_store::Placed;
use crate::diagnose;
use crate::format::plain;
use crate::ingest::{self, ColumnPreview, IngestError, RoleRequest};
use crate::verbs::complain;
use crate::verbs::options::{ReadFlags, positive};

/// Hours of a fast logger; a longer log is for the terminal.
const MOST_BYTES: usize = 256 << 20;
/// A log comes from this computer's own disk.
const MOST_WAIT: Duration = Duration::from_secs(300);

/// What the page sends with a log besides its bytes.
#[derive(Debug, Default)]
struct UploadForm {
    name: String,
    read: ReadFlags,
}

/// Why there is no report.
#[derive(Debug, Serialize)]
struct Refusal {
    reason: String,
    /// The log's columns, where a person may say what they mean.
    columns: Vec<ColumnPreview>,
}

impl Refusal {
    fn of(reason: impl ToString) -> Refusal {
        Refusal { reason: reason.to_string(), columns: Vec::new() }
    }
}

pub async fn dropped(
    State(bench): State<Arc<Bench>>,
    RawQuery(query): RawQuery,
    request: Request,
) -> Response {
    let told = match UploadForm::read(query.as_deref().unwrap_or("")) {
        Ok(told) => told,
        Err(reason) => return answer(StatusCode::UNPROCESSABLE_ENTITY, &Refusal::of(reason)),
    };
    let length = request.headers().get(CONTENT_LENGTH);
    let length = length.and_then(|text| text.to_str().ok()?.parse::<u64>().ok());
    if length.is_some_and(|bytes| bytes > MOST_BYTES as u64) {
        return too_long();
    }
    let _turn = bench.turn.lock().await;
    let bytes =
        match tokio::time::timeout(MOST_WAIT, to_bytes(request.into_body(), MOST_BYTES)).await {
            Ok(Ok(bytes)) => bytes,
            Ok(Err(error)) if is_too_long(&error) => return too_long(),
            Ok(Err(_)) | Err(_) => {
                let reason = "the log did not arrive complete; drop it again";
                return answer(StatusCode::BAD_REQUEST, &Refusal::of(reason));
            }
        };
    let worker = bench.clone();
    match tokio::task::spawn_blocking(move || worker.one(&told, &bytes)).await {
        Ok(Ok(placed)) => answer(StatusCode::OK, &placed),
        Ok(Err(refusal)) => answer(StatusCode::UNPROCESSABLE_ENTITY, &refusal),
        Err(_) => {
            let reason = "stiffbus itself failed on this log. The log is not at fault: keep it, \
                and report this to the maintainer of stiffbus.";
            answer(StatusCode::INTERNAL_SERVER_ERROR, &Refusal::of(reason))
        }
    }
}

impl UploadForm {
    /// `name=hot%20idle.csv&column=voltage%3D%232&rate=10`
    fn read(query: &str) -> Result<UploadForm, String> {
        let mut told = UploadForm::default();
        for (key, value) in form_urlencoded::parse(query.as_bytes()) {
            match key.as_ref() {
                // A browser sends the name alone; any folder in it is ignored.
                "name" => told.name = value.rsplit(['/', '\\']).next().unwrap_or("").to_owned(),
                "column" => {
                    let request: RoleRequest = value.parse().map_err(|e| format!("{e}"))?;
                    told.read.columns.push(request);
                }
                "rate" => told.read.sample_rate = Some(positive(&value)?),
                _ => {}
            }
        }
        if matches!(told.name.as_str(), "" | "." | "..") {
            told.name = "log.csv".to_owned();
        }
        Ok(told)
    }
}

impl Bench {
    fn one(&self, told: &UploadForm, bytes: &Bytes) -> Result<Placed, Refusal> {
        let mut car = self.car.car(&self.home.join("log.csv")).map_err(Refusal::of)?;
        let options = told.read.options(&car).map_err(Refusal::of)?;
        let path = Path::new(&told.name);
        let log = ingest::parse(path, bytes.to_vec(), &options).map_err(|e| unread(&e, bytes))?;
        for unknown in self.car.unknown_loads(&mut car, &log) {
            complain(format!("{}: {}", plain(&told.name), plain(&unknown)));
        }
        let mut diagnosis = diagnose(&log, &car).map_err(Refusal::of)?;
        diagnosis.units = self.units;
        self.reports.place(&told.name, &diagnosis).map_err(Refusal::of)
    }
}

fn unread(error: &IngestError, bytes: &Bytes) -> Refusal {
    let asks = error.problem.is_about_columns();
    let columns = if asks { ingest::preview(bytes) } else { Vec::new() };
    Refusal { reason: error.to_string(), columns }
}

fn is_too_long(error: &axum::Error) -> bool {
    let mut cause = std::error::Error::source(error);
    while let Some(one) = cause {
        if one.is::<http_body_util::LengthLimitError>() {
            return true;
        }
        cause = one.source();
    }
    false
}

fn too_long() -> Response {
    let reason = format!(
        "longer than {} MiB, more than is read here; in a terminal, stiffbus LOG reads it",
        MOST_BYTES >> 20
    );
    answer(StatusCode::PAYLOAD_TOO_LARGE, &Refusal::of(reason))
}

fn answer(status: StatusCode, body: &impl Serialize) -> Response {
    let json = HeaderValue::from_static("application/json");
    let text = serde_json::to_string(body).unwrap_or_else(|_| "{}".to_owned());
    (status, [(CONTENT_TYPE, json)], text).into_response()
}
