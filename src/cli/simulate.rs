//! `glowtell simulate`: recordings from a recipe.

use super::Ending;
use super::args::SimulateArgs;
use super::output::{check_target, make_folder, print};
use super::settings::Common;
use anyhow::Context;
use glowtell::report::files::write_atomic;
use glowtell::report::format::counted;
use glowtell::simulate::recipe::{Recipe, make_all};

pub fn run(args: &SimulateArgs, common: &Common) -> anyhow::Result<Ending> {
    let recipe = Recipe::load(&args.recipe)?;
    let files =
        make_all(&recipe, &common.tables).with_context(|| args.recipe.display().to_string())?;
    make_folder(&args.out)?;
    let inputs = [args.recipe.clone()];
    for (name, _) in &files {
        check_target(&args.out.join(name), &inputs)?;
    }
    for (name, bytes) in &files {
        write_atomic(&args.out.join(name), bytes)?;
    }
    if !common.quiet {
        let count = counted(files.len(), "recording", "recordings");
        print(&format!("{count} written to {}", args.out.display()))?;
    }
    Ok(Ending::Answered)
}
