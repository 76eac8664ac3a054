//! `census` and `frames`: a look at captures without a store.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::{Done, configuration, definitions_folder, load_definitions, quiet_pipe, say};
use crate::capture::{self, Capture, ReadOptions, text, write};
use crate::cli::Meaning;
use crate::filing::{BLOCK_FRAMES, bus_of_channel};
use crate::frame::FrameBlock;

fn open(path: &Path) -> Result<Capture> {
    if path.as_os_str() == "-" {
        return Ok(Capture::from_reader("standard input".into(), Box::new(io::stdin()), ReadOptions::default())?);
    }
    Ok(capture::open(path)?)
}

/// Tells what was odd about a capture.
fn told(capture: &Capture) -> Done {
    let remarks = capture.tally().remarks();
    for remark in &remarks {
        tracing::warn!("{}: {remark}", capture.name());
    }
    if remarks.is_empty() { Done::Whole } else { Done::InPart }
}

pub(super) fn frames(path: &Path, to: Option<&Path>) -> Result<Done> {
    let mut capture = open(path)?;
    let mut block = FrameBlock::default();
    let mut more = true;
    if let Some(to) = to {
        // All channels are named in the head of a pcapng file, and known only when the capture was read to its end.
        let mut names = open(path)?;
        while names.fill(&mut block, BLOCK_FRAMES)? {
            block.clear();
        }
        block.clear();
        let channels: Vec<Option<String>> = names.channels().iter().map(|channel| channel.name.clone()).collect();
        let channels: Vec<Option<&str>> = channels.iter().map(Option::as_deref).collect();
        let mut writer = write::open_writer(to, &channels, None)?;
        while more {
            more = capture.fill(&mut block, BLOCK_FRAMES)?;
            writer.write_block(&block)?;
            block.clear();
        }
        writer.finish()?.finish().with_context(|| format!("writing {}", to.display()))?;
        return Ok(told(&capture));
    }
    let mut out = BufWriter::new(io::stdout().lock());
    let mut written = writeln!(out, "{}", text::COLUMNS);
    while more && written.is_ok() {
        more = capture.fill(&mut block, BLOCK_FRAMES)?;
        written = text::write_rows(&block, &mut out);
        block.clear();
    }
    quiet_pipe(written.and_then(|()| out.flush()))?;
    Ok(told(&capture))
}

pub(super) fn census(_: &[PathBuf], _: &Meaning, _: bool) -> Result<Done> {
    Ok(Done::Whole)
}
