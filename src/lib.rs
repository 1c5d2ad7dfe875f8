//! `glowtell` says what a glow is.
//!
//! It takes recordings of a cheap array spectrometer, sets the wavelength axis by
//! the mercury lines of a fluorescent lamp, measures the emission lines, and says
//! which gases of the bundled line tables are seen, which are not and down to what
//! limit, and which this recording cannot decide.
//!
//! Which room do I want?
//!
//! | I have … and want … | room |
//! |---|---|
//! | a file, and want a [`Spectrum`] | [`import`] |
//! | a wavelength, and want to know which line it may be | [`mod@reference`] |
//! | a [`Spectrum`], and want its lines with uncertainties | [`signal`] |
//! | a lamp's [`Spectrum`], and want the axis set | [`calibrate`] |
//! | a tube's [`Spectrum`], and want its gases | [`gases`] |
//! | a light source's [`Spectrum`], and want to know what it emits | [`source`] |
//! | an instrument on paper, and want the recording it would make | [`simulate`] |
//! | a drawer of tubes, and want all of it at once | [`mod@bench`] |
//! | a result, and want it on paper, screen or disk | [`report`] |
//!
//! Wavelengths are in nm in standard air above 200 nm and in vacuum below, unless a
//! name says otherwise; uncertainties are standard uncertainties (k = 1).
//! The library never prints, never exits and keeps no global state.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod bench;
pub mod calibrate;
mod error;
pub mod gases;
pub mod import;
pub mod reference;
pub mod report;
pub mod signal;
pub mod simulate;
pub mod source;
pub mod spectrum;

pub use error::{Error, Result};
pub use spectrum::{Axis, AxisKind, Mask, Measured, Provenance, Spectrum};

/// Version of this library, as written into every record.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
