//! `stiffbus demo`: write the invented sample logs and their truth.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::demo;
use crate::format::shown;
use crate::verbs::{FAILED, complain, screen};

#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Folder to write to; made if missing, files of the same names are replaced
    #[arg(value_name = "DIR", default_value = "sample-logs")]
    pub dir: PathBuf,
}

pub fn run(args: &DemoArgs) -> ExitCode {
    match write(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error);
            ExitCode::from(FAILED)
        }
    }
}

fn write(args: &DemoArgs) -> Result<(), Box<dyn std::error::Error>> {
    let written = demo::write(&args.dir)?;
    screen::show(&format!("{} files of invented data in {}\n", written.len(), shown(&args.dir)))?;
    Ok(())
}
