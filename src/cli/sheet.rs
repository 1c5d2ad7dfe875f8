//! `glowtell sheet`: a bench sheet for a folder of recordings.

use super::Ending;
use super::args::SheetArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use glowtell::bench::draft;
use std::path::{Path, PathBuf};

/// Name of the sheet within the folder.
const SHEET: &str = "bench.toml";

pub fn run(args: &SheetArgs, common: &Common) -> anyhow::Result<Ending> {
    let out = args.out.clone().unwrap_or_else(|| args.folder.join(SHEET));
    if out.exists() && !args.replace {
        anyhow::bail!(
            "{}: is there already; name another with --out, or give --replace to lose it",
            out.display()
        );
    }
    let draft = draft(&args.folder, &out, &common.import, &common.tables)?;
    // The sheet that is to be replaced may lie among the files of the folder.
    let is_old_sheet = |f: &&PathBuf| args.replace && is_same(f, &out);
    let inputs: Vec<PathBuf> = draft.files.iter().filter(|f| !is_old_sheet(f)).cloned().collect();
    check_target(&out, &inputs)?;
    save(&out, &draft.text)?;
    if common.quiet {
        return Ok(Ending::Answered);
    }
    print(&format!(
        "{}\nwritten: {}; read it, then: glowtell run {}\n",
        draft.summary,
        out.display(),
        out.display()
    ))?;
    Ok(Ending::Answered)
}

/// True for two paths of one file that is a sheet.
fn is_same(a: &Path, b: &Path) -> bool {
    let whole = |p: &Path| p.canonicalize().ok();
    b.extension().is_some_and(|e| e == "toml") && whole(a).is_some() && whole(a) == whole(b)
}
