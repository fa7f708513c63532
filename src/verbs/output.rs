//! What the verbs that write a folder have in common: where it goes, what it may
//! replace, and how its result is shown.

use std::error::Error;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use super::{FAILED, complain, screen, usage_error};
use crate::car::CAR_FILE;
use crate::files::{folder_of, same_file, write_whole};
use crate::format::shown;
use crate::json;
use crate::report::{Kind, Overwrite, Product, write_folder};

#[derive(Debug, Clone, Default, Args)]
pub struct OutputFlags {
    /// Replace what is in the folder already, whichever log it is of
    #[arg(long)]
    pub force: bool,
    /// Open the page in the browser
    #[arg(long)]
    pub open: bool,
    /// Also write the result as JSON to FILE, or with "-" to standard output
    #[arg(long, value_name = "FILE|-")]
    pub json: Option<PathBuf>,
}

impl OutputFlags {
    /// Where the JSON goes, if not to standard output.
    pub fn json_file(&self) -> Option<&Path> {
        self.json.as_deref().filter(|file| *file != Path::new("-"))
    }

    /// The usage error where the JSON would replace a file that is read.
    pub fn replaced_input<'p>(
        &self,
        inputs: impl IntoIterator<Item = &'p PathBuf>,
    ) -> Option<String> {
        let file = self.json_file()?;
        let is_car_file = file.file_name().is_some_and(|name| name == CAR_FILE);
        let is_read = is_car_file || inputs.into_iter().any(|input| same_file(input, file));
        is_read.then(|| {
            format!("--json {} is a file that is read; give the JSON its own name", shown(file))
        })
    }

    /// Checks that the JSON can be written, before any work is done.
    pub fn check_json_place(&self) -> Result<(), String> {
        let Some(file) = self.json_file() else { return Ok(()) };
        if file.is_dir() {
            return Err(format!(
                "{}: is a folder; give --json the name of a file in it",
                shown(file)
            ));
        }
        let home = folder_of(file);
        if home.is_dir() {
            return Ok(());
        }
        Err(format!(
            "{}: folder {} does not exist; create it, or give another path with --json",
            shown(file),
            shown(home)
        ))
    }

    /// Writes the folder, then shows the result.
    pub fn deliver(&self, product: &impl Product, dir: &Path) -> Result<(), Box<dyn Error>> {
        let policy = if self.force { Overwrite::Force } else { Overwrite::SameLog };
        write_folder(product, dir, policy)?;
        self.show(product, dir)
    }

    /// JSON, terminal and browser, of what is in `dir` now.
    pub fn show<P: Product>(&self, product: &P, dir: &Path) -> Result<(), Box<dyn Error>> {
        if let Some(file) = self.json_file() {
            write_whole(file, json::text(product).as_bytes())
                .map_err(|e| format!("{}: the JSON cannot be written here: {e}", shown(file)))?;
        }
        if self.json.is_some() && self.json_file().is_none() {
            screen::hand_over(&json::text(product))?;
        } else {
            screen::show(&product.terminal(Some(dir), width()))?;
        }
        if self.open {
            open(&dir.join(P::KIND.page()));
        }
        Ok(())
    }
}

/// Opens a page in the browser. If none opens, the page is there all the same.
pub fn open(page: &Path) {
    if let Err(error) = opener::open(page) {
        complain(format!("{}: no browser opens it: {error}", shown(page)));
    }
}

/// The usage error where a folder that is replaced as a whole would be the current one.
pub fn is_current_folder(out: Option<&Path>, kind: Kind) -> Option<String> {
    out.filter(|out| same_file(out, Path::new("."))).map(|_| {
        format!(
            "--out names the current folder, and a {kind} needs a folder of its own; name one \
             that need not exist, as in --out {kind}"
        )
    })
}

/// Refuses the folder that one of `logs` is in.
pub fn refuse_folder_of_log<'p>(
    logs: impl IntoIterator<Item = &'p PathBuf>,
    dir: &Path,
    kind: Kind,
) -> Result<(), String> {
    if logs.into_iter().any(|log| log.parent().is_some_and(|home| same_file(home, dir))) {
        return Err(format!(
            "{}: is the folder of the log itself; give the {kind} a folder of its own with --out",
            shown(dir)
        ));
    }
    Ok(())
}

/// The usual folder, called `name`, beside `log`.
pub fn beside(log: &Path, name: impl AsRef<Path>) -> PathBuf {
    log.parent().unwrap_or(Path::new("")).join("stiffbus-report").join(name)
}

/// A log's name without its ending.
pub fn stem(log: &Path) -> String {
    log.file_stem().unwrap_or(log.as_os_str()).to_string_lossy().into_owned()
}

/// The exit code of a verb: of wrong flags, of an error, or its own.
pub fn run(
    wrong_flags: Option<String>,
    verb: impl FnOnce() -> Result<ExitCode, Box<dyn Error>>,
) -> ExitCode {
    if let Some(wrong) = wrong_flags {
        return usage_error(&wrong);
    }
    verb().unwrap_or_else(|error| {
        complain(error);
        ExitCode::from(FAILED)
    })
}

/// Columns to print: the terminal's, or a page's where there is none.
fn width() -> usize {
    const PAGE: usize = 100;
    let is_terminal = std::io::stdout().is_terminal();
    let terminal = terminal_size::terminal_size().filter(|_| is_terminal);
    terminal.map_or(PAGE, |(width, _)| usize::from(width.0)).clamp(60, 160)
}
