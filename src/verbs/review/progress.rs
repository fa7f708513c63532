//! How far it has come: a bar on a terminal, a line a log elsewhere.

use std::cell::Cell;
use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressStyle};

use crate::format::{plain, shorten};
use crate::verbs::say;

pub struct Progress {
    bar: Option<ProgressBar>,
    count: usize,
    done: Cell<usize>,
}

impl Progress {
    pub fn of(count: usize) -> Progress {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::new(count as u64);
            let shape = "{bar:30} {pos} of {len} logs, {eta} to go  {msg}";
            // The shape is ours and right; were it not, the plain bar does.
            if let Ok(style) = ProgressStyle::with_template(shape) {
                bar.set_style(style);
            }
            bar
        });
        Progress { bar, count, done: Cell::new(0) }
    }

    pub fn done(&self, log: &str, word: &str) {
        const NAME_COLUMNS: usize = 30;
        self.done.set(self.done.get() + 1);
        match &self.bar {
            Some(bar) => {
                bar.set_message(shorten(log, NAME_COLUMNS));
                bar.inc(1);
            }
            None => {
                let (log, word) = (plain(log), plain(word));
                say(&format!("{} of {}: {log}: {word}", self.done.get(), self.count));
            }
        }
    }

    pub fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
