//! What can be typed for commands that look at many things, or at the program itself.

use super::AskedArgs;
use std::path::PathBuf;

/// Say whether tubes hold the same filling, and which of a drawer stands out
///
/// For each pair: same fill, differs in which gas, or cannot tell and why. Held against each other are the
/// gases that each shows, the ratios of the lines that both have (exposure and response taken out, the
/// scatter between lines of one gas as the yardstick), and the light that they do not share. Of five tubes
/// and more, those that stand out are named. All tests together give a false difference in 5 of 100
/// comparisons at most.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell compare a.csv b.csv --profile club.profile.toml
  glowtell compare --sheet drawer.toml --svg drawer.svg --csv pairs.csv")]
pub struct CompareArgs {
    /// Recordings of tubes, two or more
    #[arg(value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Compare the tubes of a bench sheet instead
    #[arg(long, value_name = "SHEET")]
    pub sheet: Option<PathBuf>,
    /// Write one row a pair into this file as comma-separated values
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    #[command(flatten)]
    pub asked: AskedArgs,
}

/// Pool the records of many benches: what tubes of a type hold, and where instruments stand
///
/// Takes the JSON records that `run` writes, from folders, files, or one a line on standard input. For each
/// type of tube and light: gases and how often, whether instruments agree, voltages and other numbers with
/// their mean and spread, response to ultraviolet; for each instrument, how far its lines are off. Damaged,
/// duplicate and older records are counted and named. The order of the input changes nothing.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell pool results/
  cat club-*.jsonl | glowtell pool - --table pool.arrow
  glowtell pool north/ --short north.jsonl
  glowtell pool north.jsonl south.jsonl --json")]
pub struct PoolArgs {
    /// Folders, .json and .jsonl files, or - for records one a line on standard input
    #[arg(value_name = "FROM")]
    pub from: Vec<PathBuf>,
    /// Write each record that entered in short, one a line, to be pooled with others later
    #[arg(long, value_name = "FILE")]
    pub short: Option<PathBuf>,
    /// Write one row a record and gas as an Arrow file for data engines
    #[arg(long, value_name = "FILE")]
    pub table: Option<PathBuf>,
    /// Print the JSON Schema of records and do nothing else
    #[arg(long, conflicts_with_all = ["from", "short", "table"])]
    pub schema: bool,
}

/// Print what a shell needs to complete commands, options and file names
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell completions bash > ~/.local/share/bash-completion/completions/glowtell
  glowtell completions fish > ~/.config/fish/completions/glowtell.fish")]
pub struct CompletionsArgs {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

/// Print the manual page, or write those of all commands into a folder
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell man | man -l -
  glowtell man --into ~/.local/share/man/man1")]
pub struct ManArgs {
    /// Folder for one page a command; it is made where it is missing
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
}
