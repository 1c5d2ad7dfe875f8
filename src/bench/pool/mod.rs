//! Many people's records as one result.
//!
//! Records come as files, folders of files, or lines; each becomes a short [`Row`], which is all that is
//! kept, in a file without a name. What grows in memory is a mark of some hundred bytes a record, by which
//! duplicates are known, and the numbers with an uncertainty. Sums are exact and medians come from counts, so
//! that the order of the input changes nothing; rows of several machines may be pooled again with the same
//! result.

mod exact;
mod meta;
mod report;
mod row;
mod tally;

#[cfg(test)]
mod tests;

pub use meta::Meta;
pub use report::{
    Counts, GasCount, InstrumentReport, LineReport, NumberReport, Odd, POOL_FORMAT, POOL_VERSION,
    PoolReport, TypeReport, UltravioletCounts, UnreadCount,
};
pub use row::{ROW_FORMAT, ROW_VERSION, Row, RowLine, RowNumber, Unread};

use crate::{Error, Result};
use rayon::prelude::*;
use row::row_of;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};
use tally::Tally;

/// Longest document that is read, bytes: a record with its points has some hundred thousand.
const MOST_BYTES: u64 = 32 * 1024 * 1024;
/// Documents that are read before they are parsed together.
const BATCH: usize = 64;
/// Names that are listed of documents that did not enter.
const LISTED: usize = 20;
/// Folders within folders that are looked into: enough for a club, too few for a circle of links.
const DEPTH: usize = 8;

/// Where records come from.
pub enum Source<'a> {
    /// A file: one record (`.json`), or one a line (`.jsonl`).
    File(PathBuf),
    /// One record a line.
    Lines(&'a mut dyn BufRead),
}

/// All files of a folder and of those in it that may hold records (`.json`, `.jsonl`), by name.
///
/// # Errors
/// [`Error::Read`] where a folder cannot be read.
pub fn files_in(folder: &Path) -> Result<Vec<PathBuf>> {
    fn walk(folder: &Path, depth: usize, out: &mut Vec<PathBuf>) -> Result<()> {
        let failed = |source| Error::Read { path: folder.into(), source };
        let mut all: Vec<PathBuf> = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(failed)? {
            all.push(entry.map_err(failed)?.path());
        }
        all.sort();
        for path in all {
            let is =
                |ending: &str| path.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending));
            if path.is_dir() {
                if depth < DEPTH {
                    walk(&path, depth + 1, out)?;
                }
            } else if is("json") || is("jsonl") {
                out.push(path);
            }
        }
        Ok(())
    }
    let mut out = Vec::new();
    walk(folder, 0, &mut out)?;
    Ok(out)
}

/// A document and what to call it.
struct Document {
    name: Option<String>,
    text: Vec<u8>,
}

/// Which of several records of one recording enters: that of the highest rank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Rank {
    schema: u32,
    program: [u32; 3],
    digest: [u8; 16],
}

/// A record that was met.
struct Mark {
    rank: Rank,
    taken: bool,
}

/// Reading, first half: every document becomes a row or a count.
struct Reader<'a> {
    versions: [u32; 2],
    spool: BufWriter<File>,
    marks: HashMap<[u8; 16], Mark>,
    counts: Counts,
    unread: BTreeMap<Unread, (u64, BTreeSet<String>)>,
    batch: Vec<Document>,
    progress: &'a mut dyn FnMut(u64),
}

/// First half of a SHA-256.
fn short(bytes: &[u8]) -> [u8; 16] {
    let mut out = [0; 16];
    out.copy_from_slice(&Sha256::digest(bytes)[..16]);
    out
}

/// What makes two records records of one thing: recording and item; without a recording the record itself.
fn key(row: &Row) -> [u8; 16] {
    match &row.input {
        Some(input) => short(format!("{input}\n{}", row.item).as_bytes()),
        None => short(row.digest.as_bytes()),
    }
}

fn rank(row: &Row) -> Rank {
    let mut program = [0; 3];
    for (to, part) in program.iter_mut().zip(row.program_version.split('.')) {
        *to =
            part.chars().take_while(char::is_ascii_digit).collect::<String>().parse().unwrap_or(0);
    }
    Rank { schema: row.schema_version, program, digest: short(row.digest.as_bytes()) }
}

impl Reader<'_> {
    fn push(&mut self, document: Document) -> Result<()> {
        self.batch.push(document);
        if self.batch.len() >= BATCH { self.parse() } else { Ok(()) }
    }

    fn parse(&mut self) -> Result<()> {
        let batch = std::mem::take(&mut self.batch);
        let [oldest, newest] = self.versions;
        let rows: Vec<_> = batch
            .into_par_iter()
            .map(|d| match row_of(&d.text, oldest, newest) {
                Ok(row) => Ok(row),
                Err(why) => Err((why, d.name.unwrap_or_else(|| line_name(&d.text)))),
            })
            .collect();
        for row in rows {
            self.counts.documents += 1;
            match row {
                Ok(row) => self.keep(&row)?,
                Err((why, name)) => self.refuse(why, name),
            }
        }
        (self.progress)(self.counts.documents);
        Ok(())
    }

    fn refuse(&mut self, why: Unread, name: String) {
        let (count, names) = self.unread.entry(why).or_default();
        *count += 1;
        names.insert(name);
        if names.len() > LISTED {
            names.pop_last();
        }
    }

    fn keep(&mut self, row: &Row) -> Result<()> {
        let rank = rank(row);
        let mark = self.marks.entry(key(row)).or_insert(Mark { rank, taken: false });
        mark.rank = mark.rank.max(rank);
        let text = serde_json::to_string(row).map_err(|e| {
            Error::usage(format!("a row has no JSON form ({e})"), "report this as a defect")
        })?;
        writeln!(self.spool, "{text}").map_err(spool_failed)
    }

    fn lines(&mut self, from: &mut dyn BufRead, path: &Path) -> Result<()> {
        loop {
            let mut text = Vec::new();
            let read = Read::take(&mut *from, MOST_BYTES + 1)
                .read_until(b'\n', &mut text)
                .map_err(|source| Error::Read { path: path.into(), source })?;
            if read == 0 {
                return Ok(());
            }
            if text.len() as u64 > MOST_BYTES {
                // The rest of a line without an end is passed over without being kept.
                self.counts.documents += 1;
                self.refuse(Unread::Damaged, line_name(&text));
                skip_line(from).map_err(|source| Error::Read { path: path.into(), source })?;
                continue;
            }
            if text.iter().any(|b| !b.is_ascii_whitespace()) {
                text.truncate(text.trim_ascii_end().len());
                self.push(Document { name: None, text })?;
            }
        }
    }

    fn file(&mut self, path: &Path) -> Result<()> {
        let failed = |source| Error::Read { path: path.into(), source };
        let file = File::open(path).map_err(failed)?;
        if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("jsonl")) {
            return self.lines(&mut BufReader::new(file), path);
        }
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let mut text = Vec::new();
        file.take(MOST_BYTES + 1).read_to_end(&mut text).map_err(failed)?;
        if text.len() as u64 > MOST_BYTES {
            self.counts.documents += 1;
            self.refuse(Unread::Damaged, name);
            return Ok(());
        }
        text.truncate(text.trim_ascii_end().len());
        self.push(Document { name: Some(name), text })
    }
}

/// Passes over the rest of a line.
fn skip_line(from: &mut dyn BufRead) -> std::io::Result<()> {
    loop {
        let (used, end) = match from.fill_buf()? {
            [] => return Ok(()),
            part => match part.iter().position(|b| *b == b'\n') {
                Some(i) => (i + 1, true),
                None => (part.len(), false),
            },
        };
        from.consume(used);
        if end {
            return Ok(());
        }
    }
}

/// A line is called by what it holds, so that its place does not matter.
fn line_name(text: &[u8]) -> String {
    let digest: String = Sha256::digest(text).iter().take(6).map(|b| format!("{b:02x}")).collect();
    format!("line with SHA-256 {digest}…")
}

fn spool_failed(source: std::io::Error) -> Error {
    Error::Read { path: std::env::temp_dir(), source }
}

/// Pools records; `versions` are the oldest and the newest layout of records that are read. `each` is given
/// every row that enters, `progress` the number of documents read so far.
///
/// # Errors
/// [`Error::Read`] where a file, or the folder for temporary files, cannot be read or written;
/// [`Error::Refused`] where no record was found; those of `each`.
pub fn pool(
    sources: Vec<Source<'_>>,
    versions: [u32; 2],
    each: &mut dyn FnMut(&Row) -> Result<()>,
    progress: &mut dyn FnMut(u64),
) -> Result<PoolReport> {
    let spool = tempfile::tempfile().map_err(spool_failed)?;
    let mut r = Reader {
        versions,
        spool: BufWriter::new(spool),
        marks: HashMap::new(),
        counts: Counts::default(),
        unread: BTreeMap::new(),
        batch: Vec::new(),
        progress,
    };
    for s in sources {
        match s {
            Source::File(path) => r.file(&path)?,
            Source::Lines(from) => r.lines(from, Path::new("standard input"))?,
        }
    }
    r.parse()?;
    let Reader { spool, mut marks, mut counts, unread, .. } = r;
    let mut spool = spool.into_inner().map_err(|e| spool_failed(e.into_error()))?;
    counts.unread = unread
        .into_iter()
        .map(|(why, (count, first))| UnreadCount { why, count, first: first.into_iter().collect() })
        .collect();
    if marks.is_empty() {
        return Err(Error::refused(
            "pooling",
            format!("none of {} documents is a record", counts.documents),
            "give the folder that `glowtell run` wrote, or records one a line",
        ));
    }
    let mut tally = Tally::default();
    let mut means = tally.means();
    rows(&mut spool, &mut |row| {
        let Some(mark) = marks.get_mut(&key(row)) else { return Ok(()) };
        if rank(row) != mark.rank {
            counts.replaced += 1;
            return Ok(());
        }
        if mark.taken {
            counts.duplicates += 1;
            return Ok(());
        }
        mark.taken = true;
        counts.pooled += 1;
        counts.failed += u64::from(row.failed);
        counts.older_layout += u64::from(row.schema_version < versions[1]);
        tally.add(row);
        means.add(row);
        each(row)
    })?;
    Ok(PoolReport {
        format: POOL_FORMAT.into(),
        pool_version: POOL_VERSION,
        program_version: crate::VERSION.into(),
        counts,
        types: tally.kinds(&means),
        instruments: tally.instruments(),
        lines: tally.lines(),
    })
}

/// Every row of the spool.
fn rows(spool: &mut File, each: &mut dyn FnMut(&Row) -> Result<()>) -> Result<()> {
    spool.rewind().map_err(spool_failed)?;
    for line in BufReader::new(spool).lines() {
        let line = line.map_err(spool_failed)?;
        let row: Row = serde_json::from_str(&line).map_err(|e| {
            Error::usage(format!("a row does not come back ({e})"), "report this as a defect")
        })?;
        each(&row)?;
    }
    Ok(())
}
