//! Standard output that may go away: a pager that was quit is no error.

use std::io::{self, ErrorKind, Write};

/// Writes `text`; color only where a terminal shows it.
pub fn show(text: &str) -> io::Result<()> {
    forgiving(anstream::stdout().lock(), text)
}

/// Writes `text` as it is, for other programs to read.
pub fn hand_over(text: &str) -> io::Result<()> {
    forgiving(io::stdout().lock(), text)
}

fn forgiving(mut out: impl Write, text: &str) -> io::Result<()> {
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        Err(error) => {
            Err(io::Error::new(error.kind(), format!("standard output cannot be written: {error}")))
        }
        Ok(()) => Ok(()),
    }
}
