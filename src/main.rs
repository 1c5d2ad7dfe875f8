//! The `glowtell` program: arguments in, library called, report out.
#![forbid(unsafe_code)]

fn main() {}
