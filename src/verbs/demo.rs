//! `stiffbus demo`: write the invented sample logs and their truth.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;

use crate::demo;

#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// Folder to write to
    #[arg(value_name = "DIR", default_value = "sample-logs")]
    pub dir: PathBuf,
}

pub fn run(args: &DemoArgs) -> ExitCode {
    match demo::write(&args.dir) {
        Ok(written) => {
            println!("{} files of invented data in {}", written.len(), args.dir.display());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("stiffbus: {error}");
            ExitCode::from(1)
        }
    }
}
