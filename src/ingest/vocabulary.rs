//! Words of the trade in the languages logs come in, folded to lower case
//! without accents. `=` marks a whole word, `^` a word's beginning; the rest
//! may stand anywhere, since German and Dutch glue words together.

mod columns;
mod consumers;
mod electrics;
mod running;

pub use columns::*;
pub use consumers::*;
pub use electrics::*;
pub use running::*;
