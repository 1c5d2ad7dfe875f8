//! The bench: one instrument, its lamp, and a drawer of tubes and lights, examined in one go.
//!
//! [`examine()`] is the whole way of one recording: axis, lines, gases. [`run()`] does it for
//! every item of a bench [`Sheet`], after setting the axis by the sheet's lamp. Neither reads the
//! clock nor depends on the number of processors: the same files give the same result.

mod examine;
mod lamps;
mod names;
mod repeats;
mod room;
mod run;
mod sheet;

pub use examine::{Examination, Settings, check_asked, examine};
pub use names::file_names;
pub use repeats::average;
pub use room::without_room;
pub use run::{
    BenchResult, InstrumentResult, ItemKind, ItemResult, LampResult, Progress, RunSettings, run,
};
pub use sheet::{Instrument, Light, Sheet, Tube};
