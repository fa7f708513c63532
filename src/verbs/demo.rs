//! `stiffbus demo`: write the invented sample logs and their truth.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::demo;
use crate::format::shown;
use crate::verbs::{output, screen};

#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Folder to write to; made if missing, files of the same names are replaced
    #[arg(value_name = "DIR", default_value = "sample-logs")]
    pub dir: PathBuf,
}

pub fn run(args: &DemoArgs) -> ExitCode {
    output::run(None, || {
        let written = demo::write(&args.dir)?;
        let count = written.len();
        screen::show(&format!("{count} files of invented data in {}\n", shown(&args.dir)))?;
        Ok(ExitCode::SUCCESS)
    })
}
