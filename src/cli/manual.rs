//! `glowtell completions` and `glowtell man`: both come from the definition of what can be typed.

use super::Ending;
use super::args::{Args, CompletionsArgs, ManArgs};
use super::output::{make_folder, print, save};
use super::settings::Common;
use clap::CommandFactory;
use clap_mangen::Man;

/// Completions for a shell.
pub fn completions(args: &CompletionsArgs, _: &Common) -> anyhow::Result<Ending> {
    let mut out = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "glowtell", &mut out);
    print(&String::from_utf8(out)?)?;
    Ok(Ending::Answered)
}

/// The manual.
pub fn man(args: &ManArgs, common: &Common) -> anyhow::Result<Ending> {
    let mut program = Args::command();
    program.build();
    let Some(folder) = &args.into else {
        print(&page(program)?)?;
        return Ok(Ending::Answered);
    };
    make_folder(folder)?;
    let commands: Vec<clap::Command> =
        program.get_subcommands().filter(|c| c.get_name() != "help").cloned().collect();
    let mut written = 0;
    for c in std::iter::once(program).chain(commands) {
        // The full name has blanks, `glowtell run`; pages and files are named with hyphens.
        let name = c.get_display_name().unwrap_or(c.get_name()).to_string();
        save(&folder.join(format!("{name}.1")), &page(c)?)?;
        written += 1;
    }
    if !common.quiet {
        print(&format!("{written} pages written to {}\n", folder.display()))?;
    }
    Ok(Ending::Answered)
}

/// One page.
fn page(command: clap::Command) -> anyhow::Result<String> {
    let mut out = Vec::new();
    Man::new(command).render(&mut out)?;
    Ok(String::from_utf8(out)?)
}
