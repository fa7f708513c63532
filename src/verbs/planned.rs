//! A plan that was made earlier, read again.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::format::{plain, shown};
use crate::plan::{Plan, SCHEMA};
use crate::report::Kind;

/// The plan's file, from that file itself or the folder it is in.
pub fn file(named: &Path) -> PathBuf {
    if named.is_dir() { named.join(Kind::Plan.marker()) } else { named.to_path_buf() }
}

/// An error names the file.
pub fn read(file: &Path) -> Result<Plan, String> {
    let shown = shown(file);
    let text = fs::read_to_string(file).map_err(|cause| {
        format!("{shown}: cannot be read ({cause}). Name the folder that stiffbus plan wrote.")
    })?;
    let value: Value = serde_json::from_str(&text)
        .map_err(|cause| format!("{shown}: is not JSON ({cause}): it was changed or cut off"))?;
    let schema = value.get("schema").and_then(Value::as_str).unwrap_or("none");
    if schema != SCHEMA {
        return Err(format!(
            "{shown}: is not a plan (schema {}, expected {SCHEMA}). Name the folder that stiffbus plan \
             wrote.",
            plain(schema)
        ));
    }
    serde_json::from_value(value).map_err(|cause| {
        format!("{shown}: part of the plan is missing or of another type ({cause})")
    })
}
