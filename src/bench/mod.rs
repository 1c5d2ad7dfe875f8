//! The bench: one instrument, its lamp, and a drawer of tubes and lights, examined in one go.
//!
//! [`examine()`] is the whole way of one recording: axis, lines, gases. [`run()`] does it for
//! every item of a bench [`Sheet`], after setting the axis by the sheet's lamp. Before that, several
//! recordings become one ([`average()`], [`merge()`]), and dark, background and flat are taken off
//! ([`Frames`]). Neither reads the
//! clock nor depends on the number of processors: the same files give the same result.

mod circuit;
mod claims;
mod compare;
mod draft;
mod examine;
mod exposure;
mod frames;
mod lamps;
mod merge;
mod names;
pub mod pool;
mod repeats;
mod room;
mod run;
mod shape;
mod sheet;

pub use circuit::{
    Circuit, CircuitFacts, Plateau, PlateauPlace, Probe, Quantity, Told, UltravioletResponse,
    circuit,
};
pub use compare::{
    ALPHA, CONDITIONS_FACTOR, Difference, Distance, FEWEST_FOR_STANDOUTS, FEWEST_LINES, Pair,
    PairVerdict, RatioOfGas, Ratios, Standout, StandoutTest, TubeComparison, compare_tubes,
};
pub use draft::{Draft, draft};
pub use examine::{Examination, Settings, check_asked, examine};
pub use exposure::exposure_ms;
pub use frames::Frames;
pub use merge::merge;
pub use names::file_names;
pub use repeats::average;
pub use room::{RoomTaken, without_room};
pub use run::{
    BenchResult, InstrumentResult, ItemKind, ItemResult, LampResult, Progress, RunSettings,
    load_curve, load_response, run,
};
pub use sheet::{Instrument, Light, RecordChoices, Sheet, Tube};
