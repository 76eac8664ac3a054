//! `census` and `frames`: a look at captures without a store.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use super::{Done, configuration, definitions_folder, load_definitions, quiet_pipe, say};
use crate::capture::{self, Capture, ReadOptions, text, write};
use crate::census::{Census, Seen};
use crate::cli::Meaning;
use crate::decode::{Route, Router};
use crate::filing::{BLOCK_FRAMES, bus_of_channel};
use crate::frame::FrameBlock;
use crate::wire::Payload;

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
    if to.is_some() && path.as_os_str() == "-" {
        bail!(
            "standard input can be read once only, and writing it anew reads it twice; save it to a file and name that"
        );
    }
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

pub(super) fn census(captures: &[PathBuf], meaning: &Meaning, json: bool) -> Result<Done> {
    let configuration = configuration(meaning, captures)?;
    let defs = load_definitions(&definitions_folder(meaning, &configuration)?)?;
    let settings = super::filing_settings(&configuration, meaning, None);
    let mut census = Census::new(&defs);
    let mut done = Done::Whole;
    let found = capture::find(captures)?;
    for path in &found.captures {
        let mut capture = open(path)?;
        let mut block = FrameBlock::default();
        let mut router = Router::new(&defs, &[]);
        let mut more = true;
        while more {
            more = capture.fill(&mut block, BLOCK_FRAMES)?;
            for (index, channel) in capture.channels().iter().enumerate().skip(router.channel_count()) {
                router.add_channel(bus_of_channel(&defs, &settings, index, channel.name.as_deref()).0);
            }
            for index in 0..block.len() {
                let (id, meta) = (block.id[index], block.meta[index]);
                let message = match router.route(meta, id) {
                    Route::Message(message) => Some(message),
                    Route::Raw => None,
                };
                let (time_us, bus) = (block.time_us[index], router.bus(meta.channel));
                census.frame(&Seen { time_us, bus, message, id, meta, payload: Payload::of_block(&block, index) });
            }
            block.clear();
        }
        if told(&capture) == Done::InPart {
            done = Done::InPart;
        }
    }
    let result = census.report();
    if json {
        say(&serde_json::to_string_pretty(&result)?)?
    } else {
        say(&result.text())?
    }
    Ok(done)
}
