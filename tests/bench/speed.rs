//! Speed of the steps.
fn main() {}
