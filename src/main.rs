//! Process edge.
fn main() {}
