//! What pooling comes to.

use super::meta::Meta;
use super::row::Unread;
use serde::{Deserialize, Serialize};

/// Mark of every pooled report.
pub const POOL_FORMAT: &str = "glowtell-pool";
/// Version of its layout.
pub const POOL_VERSION: u32 = 1;

/// Records pooled. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PoolReport {
    /// Always [`POOL_FORMAT`].
    pub format: String,
    /// Always [`POOL_VERSION`] for this layout.
    pub pool_version: u32,
    /// Version of the program that pooled.
    pub program_version: String,
    /// What was read and what became of it.
    pub counts: Counts,
    /// By sort of tube and light, as users told it.
    pub types: Vec<TypeReport>,
    /// By instrument.
    pub instruments: Vec<InstrumentReport>,
    /// By line, for those that several instruments have.
    pub lines: Vec<LineReport>,
}

/// Documents and what became of them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Counts {
    /// Documents read.
    pub documents: u64,
    /// Records that entered.
    pub pooled: u64,
    /// Of these, records without an answer.
    pub failed: u64,
    /// Of these, records of an older layout, whose missing parts count as not told.
    pub older_layout: u64,
    /// The same record once more.
    pub duplicates: u64,
    /// Another record of the same recording and item; that of the newest program entered.
    pub replaced: u64,
    /// Documents that did not enter, by reason.
    pub unread: Vec<UnreadCount>,
}

/// Documents that did not enter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnreadCount {
    /// Why.
    pub why: Unread,
    /// How many.
    pub count: u64,
    /// Names of the first, by name; a line by the begin of its SHA-256.
    pub first: Vec<String>,
}

/// One sort of thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TypeReport {
    /// What users call it, in lower case; empty where they did not tell.
    pub kind: String,
    /// True for lights.
    pub light: bool,
    /// Records.
    pub records: u64,
    /// Records without an answer.
    pub failed: u64,
    /// Instruments.
    pub instruments: usize,
    /// Pairs of instruments that decide on a common gas.
    pub instrument_pairs: u64,
    /// Of these, pairs that agree on all such gases in most recordings.
    pub agreeing_pairs: u64,
    /// By gas.
    pub gases: Vec<GasCount>,
    /// By number.
    pub numbers: Vec<NumberReport>,
    /// Response to ultraviolet.
    pub ultraviolet: UltravioletCounts,
    /// For each gas that shows: with response, without.
    pub ultraviolet_by_gas: Vec<(String, u64, u64)>,
}

/// How often a gas was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GasCount {
    /// The gas.
    pub gas: String,
    /// Seen.
    pub seen: u64,
    /// Likely.
    pub likely: u64,
    /// Undecided.
    pub undecided: u64,
    /// Not seen.
    pub not_seen: u64,
    /// Out of reach.
    pub out_of_reach: u64,
    /// 95 % interval of the share that shows it, of those that decide (Wilson); `None` of nothing.
    pub interval: Option<[f64; 2]>,
}

/// A number over records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NumberReport {
    /// Its name in the record.
    pub name: String,
    /// Values.
    pub values: u64,
    /// Values without an uncertainty, which are not in the mean.
    pub without_u: u64,
    /// Records without it.
    pub missing: u64,
    /// Median.
    pub median: f64,
    /// Standard deviation by the median absolute deviation.
    pub sigma: f64,
    /// Random-effects mean; `None` for fewer than two values with an uncertainty.
    pub mean: Option<Meta>,
    /// Values far from the rest, the outermost ones.
    pub odd: Vec<Odd>,
}

/// A value far from the rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Odd {
    /// Item.
    pub item: String,
    /// SHA-256 of the record.
    pub digest: String,
    /// Its value.
    pub value: f64,
}

/// Response to ultraviolet.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct UltravioletCounts {
    /// It responds.
    pub yes: u64,
    /// It was tried, and does not.
    pub no: u64,
    /// Nobody tried.
    pub not_tried: u64,
    /// Nothing is told.
    pub not_told: u64,
}

/// Where an instrument's axis stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InstrumentReport {
    /// Its name.
    pub name: String,
    /// Records.
    pub records: u64,
    /// Different lines.
    pub lines: usize,
    /// Median of measured less tabulated wavelength over its lines, nm.
    pub offset_nm: f64,
    /// Standard uncertainty of that, nm.
    pub u_nm: f64,
    /// Probability of an offset so far from the others' (from the tables with fewer than five
    /// instruments) by chance, all instruments in mind (Holm).
    pub adjusted_p: f64,
    /// That probability is below 0.05.
    pub stands_off: bool,
}

/// A line over instruments.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineReport {
    /// Spectroscopic name.
    pub species: String,
    /// Tabulated wavelength, nm (air).
    pub table_nm: f64,
    /// Recordings.
    pub values: u64,
    /// Instruments.
    pub instruments: usize,
    /// Median over instruments of measured less tabulated wavelength, nm.
    pub off_nm: f64,
    /// Standard deviation between instruments by the median absolute deviation, nm.
    pub spread_nm: f64,
}
