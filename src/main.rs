//! The `glowtell` program: arguments in, library called, report out.
#![forbid(unsafe_code)]

mod cli;

fn main() -> std::process::ExitCode {
    cli::main()
}
