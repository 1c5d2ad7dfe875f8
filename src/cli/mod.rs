//! Arguments in, library called, report out; no computing here.
//!
//! What was typed ([`args`]) is turned into ready settings once ([`settings`]) before a command
//! sees it. A command gives back how it ended; what goes wrong on the way is printed here, one
//! sentence, once.

mod args;
mod calibrate;
mod compare;
mod convert;
mod gases;
mod lines;
mod manual;
mod output;
mod peaks;
mod pool;
mod recordings;
mod records;
mod run;
mod settings;
mod sheet;
mod simulate;
mod source;
mod verify;

use args::{Args, Command};
use clap::Parser;
use clap::error::ErrorKind;
use settings::Common;
use std::process::ExitCode;

/// How a command that ran to its end came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ending {
    /// Everything asked was answered.
    Answered,
    /// Everything was answered, but a check given on the command line did not hold, or could not
    /// be tested.
    DidNotHold,
    /// The run went on, but an item could not be answered (its error is printed already).
    ItemFailed,
}

/// Exit code of a run in which everything was answered.
const ANSWERED: u8 = 0;
/// Exit code where a check given on the command line did not hold or could not be tested.
const DID_NOT_HOLD: u8 = 1;
/// Exit code for bad usage, bad input, or an item that failed.
const FAILED: u8 = 2;

/// The program.
pub fn main() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(e) => return usage(&e),
    };
    let end =
        Common::new(&args.common, args.command.name()).and_then(|common| match args.command {
            Command::Run(a) => run::run(&a, &common),
            Command::Calibrate(a) => calibrate::run(&a, &common),
            Command::Verify(a) => verify::run(&a, &common),
            Command::Peaks(a) => peaks::run(&a, &common),
            Command::Gases(a) => gases::run(&a, &common),
            Command::Source(a) => source::run(&a, &common),
            Command::Compare(a) => compare::run(&a, &common),
            Command::Pool(a) => pool::run(&a, &common),
            Command::Lines(a) => lines::run(&a, &common),
            Command::Convert(a) => convert::run(&a, &common),
            Command::Sheet(a) => sheet::run(&a, &common),
            Command::Simulate(a) => simulate::run(&a, &common),
            Command::Completions(a) => manual::completions(&a, &common),
            Command::Man(a) => manual::man(&a, &common),
        });
    match end {
        Ok(Ending::Answered) => ExitCode::from(ANSWERED),
        Ok(Ending::DidNotHold) => ExitCode::from(DID_NOT_HOLD),
        Ok(Ending::ItemFailed) => ExitCode::from(FAILED),
        // Whoever read the output has seen enough: that is no failure.
        Err(e) if output::is_closed_pipe(&e) => ExitCode::from(ANSWERED),
        Err(e) => {
            output::complain(&e);
            ExitCode::from(FAILED)
        }
    }
}

/// Help and version go to standard output; a mistake in the arguments becomes one sentence.
fn usage(e: &clap::Error) -> ExitCode {
    match e.kind() {
        ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
            // A closed pipe is the only way in which this can fail.
            let _ = e.print();
            ExitCode::from(ANSWERED)
        }
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand => {
            output::complain(&anyhow::anyhow!(
                "no command given; `glowtell --help` lists the commands"
            ));
            ExitCode::from(FAILED)
        }
        _ => {
            output::complain(&anyhow::anyhow!(args::one_sentence(&e.to_string())));
            ExitCode::from(FAILED)
        }
    }
}
