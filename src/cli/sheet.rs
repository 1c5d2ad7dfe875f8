//! `glowtell sheet`: a bench sheet for a folder of recordings.

use super::Ending;
use super::args::SheetArgs;
use super::output::{check_target, print, save};
use super::settings::Common;
use glowtell::bench::draft;

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
    check_target(&out, &draft.files)?;
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
