//! The program as a whole: what is typed, what comes out, what is left on disk.

/// The demo spectra answered: tables, files, JSON, and the same bytes twice.
#[path = "cli/answers.rs"]
mod answers;
/// Input that bears no answer: one clear sentence, exit code 2, nothing left behind.
#[path = "cli/bad_input.rs"]
mod bad_input;
/// An axis set by lamps of all kinds.
#[path = "cli/calibrate.rs"]
mod calibrate;
/// Voltages and currents of tubes.
#[path = "cli/circuit.rs"]
mod circuit;
/// Tubes against each other.
#[path = "cli/compare.rs"]
mod compare;
/// Formats, frames, exposures and the sheet of a folder.
#[path = "cli/exchange.rs"]
mod exchange;
/// Completions and manual pages.
#[path = "cli/manual.rs"]
mod manual;
/// The page of a bench: weight, and what users may write.
#[path = "cli/page.rs"]
mod page;
/// Photographs of spectra.
#[path = "cli/picture.rs"]
mod picture;
/// A folder to work in, and the program in it.
#[path = "cli/place.rs"]
mod place;
/// Records pooled.
#[path = "cli/pool.rs"]
mod pool;
/// The commands that README.md shows.
#[path = "cli/readme.rs"]
mod readme;
/// What light sources emit, and what their labels are worth.
#[path = "cli/source.rs"]
mod source;
/// An axis judged by a lamp.
#[path = "cli/verify.rs"]
mod verify;
