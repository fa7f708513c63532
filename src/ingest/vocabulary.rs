//! Words of the trade in the languages logs come in, folded to lower case
//! without accents. `=` marks a whole word, `^` a word's beginning, `$` its end.
//! Only stems that no other word of the trade contains stand without a mark: German,
//! Dutch and Swedish write compounds as one word, and some scripts know no blanks.

mod columns;
mod consumers;
mod electrics;
mod running;

pub use columns::*;
pub use consumers::*;
pub use electrics::*;
pub use running::*;
