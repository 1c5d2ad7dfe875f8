//! `glowtell pool`: many people's records as one result.

use super::Ending;
use super::args::PoolArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use anyhow::{Context, bail};
use glowtell::bench::pool::{PoolReport, Source, files_in, pool};
use glowtell::report::columns::Columns;
use glowtell::report::files::Replacement;
use glowtell::report::record::{OLDEST_VERSION, Record, SCHEMA_VERSION, to_json};
use glowtell::report::{svg, terminal};
use indicatif::ProgressBar;
use std::io::{BufWriter, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// What stands for standard input.
const STANDARD_INPUT: &str = "-";
/// Documents from which on a count is shown to somebody who waits.
const SHOWN_FROM: u64 = 500;

pub fn run(args: &PoolArgs, common: &Common) -> anyhow::Result<Ending> {
    if args.schema {
        print(&Record::schema()?)?;
        return Ok(Ending::Answered);
    }
    if args.from.is_empty() {
        bail!("nothing to pool; name a folder, files, or - for standard input");
    }
    let files = files(&args.from)?;
    for target in [&common.svg, &args.short, &args.table].into_iter().flatten() {
        check_target(target, &files)?;
    }
    let report = pooled(args, &files, common)?;
    if let Some(path) = &common.svg {
        save(
            path,
            &svg::pooled_plot(&report, &common.plot_style("Instruments of the pool", Vec::new()))?,
        )?;
    }
    print(&if common.json { to_json(&report)? } else { terminal::pooled(&report, &common.style) })?;
    Ok(Ending::Answered)
}

/// All files that are meant.
fn files(from: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    let mut out = Vec::new();
    for path in from.iter().filter(|p| p.as_os_str() != STANDARD_INPUT) {
        if path.is_dir() {
            let found = files_in(path)?;
            if found.is_empty() {
                bail!(
                    "{}: holds no .json and no .jsonl; give the folder that `glowtell run` wrote",
                    path.display()
                );
            }
            out.extend(found);
        } else {
            out.push(path.clone());
        }
    }
    Ok(out)
}

fn pooled(args: &PoolArgs, files: &[PathBuf], common: &Common) -> anyhow::Result<PoolReport> {
    let mut rows = open(args.short.as_deref())?;
    let mut table = match open(args.table.as_deref())? {
        Some(file) => Some(Columns::new(file)?),
        None => None,
    };
    let mut input = std::io::stdin().lock();
    let mut sources: Vec<Source<'_>> = files.iter().cloned().map(Source::File).collect();
    if args.from.iter().any(|p| p.as_os_str() == STANDARD_INPUT) {
        sources.push(Source::Lines(&mut input));
    }
    let hidden = common.quiet || !std::io::stderr().is_terminal();
    let bar = if hidden { ProgressBar::hidden() } else { ProgressBar::new_spinner() };
    let report = pool(
        sources,
        [OLDEST_VERSION, SCHEMA_VERSION],
        &mut |row| {
            if let Some(to) = &mut rows {
                let text = serde_json::to_string(row).unwrap_or_default();
                writeln!(to, "{text}").map_err(|source| glowtell::Error::Write {
                    path: args.short.clone().unwrap_or_default(),
                    source,
                })?;
            }
            table.as_mut().map_or(Ok(()), |t| t.add(row))
        },
        &mut |n| {
            if n >= SHOWN_FROM {
                bar.set_message(format!("{n} documents"));
            }
        },
    )?;
    bar.finish_and_clear();
    if let Some(to) = rows {
        keep(to)?;
    }
    if let Some(t) = table {
        keep(t.finish()?)?;
    }
    Ok(report)
}

/// A file beside its place, moved there once it is whole.
fn open(path: Option<&Path>) -> anyhow::Result<Option<BufWriter<Replacement>>> {
    Ok(match path {
        Some(path) => Some(BufWriter::new(Replacement::new(path)?)),
        None => None,
    })
}

fn keep(to: BufWriter<Replacement>) -> anyhow::Result<()> {
    let file = to.into_inner().map_err(std::io::IntoInnerError::into_error);
    file.context("the output cannot be written; check the disk")?.keep()?;
    Ok(())
}
