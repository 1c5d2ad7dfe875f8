//! Pooled records as columns for data engines: the Arrow file format (Apache Arrow columnar format 1.x, IPC
//! file).
//!
//! One row a record and gas; a record without gases has one row whose `gas` is null.
//!
//! | column | type | meaning |
//! |---|---|---|
//! | `digest` | text | SHA-256 of the record |
//! | `input_sha256` | text, may be null | SHA-256 of the recording |
//! | `item` | text | name of the item |
//! | `light` | boolean | true for a light, false for a tube |
//! | `type` | text | what the user calls it, lower case; empty where not told |
//! | `instrument` | text | name of the instrument |
//! | `program_version` | text | program that wrote the record |
//! | `failed` | boolean | true where there was no answer |
//! | `responds_to_ultraviolet` | text | `yes`, `no`, `not-tried`; empty where not told |
//! | `tube_voltage_v`, `current_a`, `peak_nm`, `fwhm_nm` | 64-bit float, may be null | numbers of circuit and source |
//! | `gas` | text, may be null | gas |
//! | `verdict` | text, may be null | `seen`, `likely`, `undecided`, `not seen`, `out of reach` |

use crate::bench::pool::Row;
use crate::{Error, Result};
use arrow_array::builder::{BooleanBuilder, Float64Builder, StringBuilder};
use arrow_array::{ArrayRef, RecordBatch};
use arrow_ipc::writer::FileWriter;
use arrow_schema::{DataType, Field, Schema};
use std::io::Write;
use std::sync::Arc;

/// Rows that are written together.
const BATCH: usize = 8192;
/// Numbers with a column of their own.
const NUMBERS: [&str; 4] = ["tube_voltage_v", "current_a", "peak_nm", "fwhm_nm"];
/// Text columns that every row has, but `input_sha256`.
const TEXTS: [&str; 6] =
    ["digest", "item", "type", "instrument", "program_version", "responds_to_ultraviolet"];

/// Writes rows as they come.
pub struct Columns<W: Write> {
    writer: FileWriter<W>,
    schema: Arc<Schema>,
    texts: [StringBuilder; 6],
    input: StringBuilder,
    light: BooleanBuilder,
    failed: BooleanBuilder,
    numbers: [Float64Builder; 4],
    gas: StringBuilder,
    verdict: StringBuilder,
    rows: usize,
}

fn failed(e: arrow_schema::ArrowError) -> Error {
    Error::usage(
        format!("the table of columns cannot be written ({e})"),
        "check the disk, or leave it out",
    )
}

impl<W: Write> Columns<W> {
    /// Begins a table.
    ///
    /// # Errors
    /// [`Error::Usage`] where it cannot be written.
    pub fn new(to: W) -> Result<Self> {
        let text = |name: &str, null| Field::new(name, DataType::Utf8, null);
        let mut fields: Vec<Field> = TEXTS.iter().map(|n| text(n, false)).collect();
        fields.push(text("input_sha256", true));
        fields.push(Field::new("light", DataType::Boolean, false));
        fields.push(Field::new("failed", DataType::Boolean, false));
        fields.extend(NUMBERS.iter().map(|n| Field::new(*n, DataType::Float64, true)));
        fields.push(text("gas", true));
        fields.push(text("verdict", true));
        let schema = Arc::new(Schema::new(fields));
        let writer = FileWriter::try_new(to, &schema).map_err(failed)?;
        Ok(Columns {
            writer,
            schema,
            texts: Default::default(),
            input: StringBuilder::new(),
            light: BooleanBuilder::new(),
            failed: BooleanBuilder::new(),
            numbers: Default::default(),
            gas: StringBuilder::new(),
            verdict: StringBuilder::new(),
            rows: 0,
        })
    }

    /// Adds a record.
    ///
    /// # Errors
    /// [`Error::Usage`] where it cannot be written.
    pub fn add(&mut self, row: &Row) -> Result<()> {
        let none = std::iter::once((None, None)).filter(|_| row.gases.is_empty());
        let gases = row.gases.iter().map(|(g, v)| (Some(g.as_str()), Some(v.word())));
        for (gas, verdict) in gases.chain(none) {
            let texts = [
                &row.digest,
                &row.item,
                &row.kind,
                &row.instrument,
                &row.program_version,
                &row.ultraviolet,
            ];
            for (column, text) in self.texts.iter_mut().zip(texts) {
                column.append_value(text);
            }
            self.input.append_option(row.input.as_deref());
            self.light.append_value(row.light);
            self.failed.append_value(row.failed);
            for (column, name) in self.numbers.iter_mut().zip(NUMBERS) {
                column.append_option(row.numbers.get(name).map(|n| n.value));
            }
            self.gas.append_option(gas);
            self.verdict.append_option(verdict);
            self.rows += 1;
            if self.rows >= BATCH {
                self.flush()?;
            }
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<()> {
        let mut columns: Vec<ArrayRef> =
            self.texts.iter_mut().map(|c| Arc::new(c.finish()) as ArrayRef).collect();
        columns.push(Arc::new(self.input.finish()));
        columns.push(Arc::new(self.light.finish()));
        columns.push(Arc::new(self.failed.finish()));
        columns.extend(self.numbers.iter_mut().map(|c| Arc::new(c.finish()) as ArrayRef));
        columns.push(Arc::new(self.gas.finish()));
        columns.push(Arc::new(self.verdict.finish()));
        self.rows = 0;
        let batch = RecordBatch::try_new(self.schema.clone(), columns).map_err(failed)?;
        self.writer.write(&batch).map_err(failed)
    }

    /// Ends the table.
    ///
    /// # Errors
    /// [`Error::Usage`] where it cannot be written.
    pub fn finish(mut self) -> Result<W> {
        self.flush()?;
        self.writer.finish().map_err(failed)?;
        self.writer.into_inner().map_err(failed)
    }
}
