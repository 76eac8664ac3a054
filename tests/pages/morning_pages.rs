//! A morning's pages without a store: an ordinary fleet, an empty one, and a hostile one.
//!
//! `cargo run --features fleet --example morning_pages -- FOLDER [VEHICLES]`

use std::path::PathBuf;
use std::time::Instant;

use anyhow::{Context, Result};
use yardtap::fleet;

#[allow(clippy::too_many_arguments, reason = "plain data, written once")]
mod sample;

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let to = PathBuf::from(arguments.next().context("a folder is asked for")?);
    let vehicles = arguments.next().map_or(Ok(60), |count| count.parse())?;
    std::fs::create_dir_all(&to)?;
    for (name, morning) in
        [("ordinary", sample::morning(vehicles)), ("empty", sample::empty()), ("hostile", sample::hostile(3_000))]
    {
        let begun = Instant::now();
        let written = fleet::pages::write(&to.join(name), &morning)?;
        println!("{}: {} files in {:.2?}", written.index.display(), written.files, begun.elapsed());
    }
    Ok(())
}
