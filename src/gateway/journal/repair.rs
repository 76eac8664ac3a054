//! Unfinished segments after a power cut: each is ended behind its last whole block.
//!
//! Streamed, in one buffer. Three things can follow the last whole block: the front of another; zeros, where a file
//! system had lengthened the file and not written it; and the one before the other. These are cut off. Anything else is
//! damage, and what stands behind it may be good: the segment stays as it is, the capture reader passes over the place
//! and tells of it.

use super::{DAMAGED, JournalError, WRITING, files, finished_path};
use crate::durable::sync_folder;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

/// Bytes read at a time.
const READ_BYTES: usize = 1 << 20;

/// Longest block that the journal's writer makes: a section's interface with the longest name, or a frame of 64 bytes.
/// One that claims more is no block of ours.
const BLOCK_BYTES_MAX: usize = 1024;

const SECTION: u32 = 0x0A0D_0D0A;
const BYTE_ORDER_MAGIC: u32 = 0x1A2B_3C4D;
const ENHANCED_PACKET: u32 = 6;

/// What became of an unfinished segment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repaired {
    /// It is finished now.
    Ended {
        /// Its finished name.
        path: PathBuf,
        /// Frames in it, before any damaged place.
        frames: u64,
        /// Bytes of an unfinished block, or never written, that were cut off.
        cut_bytes: u64,
        /// Bytes behind the first place that is no block. They stay, and are searched when it is filed.
        damaged_bytes: u64,
    },
    /// No frame had got into it; it is removed.
    Empty {
        /// Where it was.
        path: PathBuf,
    },
    /// It does not begin like a segment; it is set aside.
    SetAside {
        /// Where it is now.
        path: PathBuf,
    },
}

/// Ends all unfinished segments of a folder, in the order of their names. A folder that is not there has none. To be
/// called when nobody writes there.
///
/// # Errors
/// A segment cannot be read, cut or renamed. It stays as it was, and so do those behind it.
pub fn repair(folder: &Path) -> Result<Vec<Repaired>, JournalError> {
    let mut unfinished: Vec<PathBuf> =
        files(folder)?.into_iter().filter(|(_, name)| name.ends_with(WRITING)).map(|(path, _)| path).collect();
    unfinished.sort();
    let mut done = Vec::new();
    for path in &unfinished {
        let repaired = end(path).map_err(|source| JournalError::Repair { path: path.clone(), source })?;
        match &repaired {
            Repaired::Ended { path, frames, cut_bytes, damaged_bytes } => {
                tracing::info!(path = %path.display(), frames, cut_bytes, damaged_bytes, "unfinished segment ended");
            }
            Repaired::Empty { path } => tracing::info!(path = %path.display(), "unfinished segment without a frame"),
            Repaired::SetAside { path } => {
                tracing::warn!(path = %path.display(), "set aside: it is no segment of the journal; look at it, then remove it");
            }
        }
        done.push(repaired);
    }
    if !unfinished.is_empty() {
        sync_folder(folder).map_err(|source| JournalError::Folder { path: folder.to_owned(), source })?;
    }
    Ok(done)
}

fn end(path: &Path) -> io::Result<Repaired> {
    let mut file = File::options().read(true).write(true).open(path)?;
    let length_bytes = file.metadata()?.len();
    let whole = walk(&mut file)?;
    let cut = match whole.behind {
        Behind::Front => true,
        Behind::Other => {
            file.seek(SeekFrom::Start(whole.bytes))?;
            is_front_and_zeros(&mut file, whole.bytes == 0)?
        }
    };
    let rest_bytes = length_bytes.saturating_sub(whole.bytes);
    if whole.frames == 0 && cut {
        fs::remove_file(path)?;
        return Ok(Repaired::Empty { path: path.to_owned() });
    }
    if whole.bytes == 0 {
        let aside = free_name(path);
        fs::rename(path, &aside)?;
        return Ok(Repaired::SetAside { path: aside });
    }
    if cut && rest_bytes > 0 {
        file.set_len(whole.bytes)?;
    }
    // Also what was whole may not have been synced yet.
    file.sync_all()?;
    let finished = finished_path(path);
    if finished.try_exists()? {
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, format!("{} is there too", finished.display())));
    }
    fs::rename(path, &finished)?;
    let (cut_bytes, damaged_bytes) = if cut { (rest_bytes, 0) } else { (0, rest_bytes) };
    Ok(Repaired::Ended { path: finished, frames: whole.frames, cut_bytes, damaged_bytes })
}

/// A name for what is set aside that nothing has yet.
fn free_name(path: &Path) -> PathBuf {
    let name = |nth: u32| {
        let mut name = path.as_os_str().to_owned();
        name.push(DAMAGED);
        if nth > 0 {
            name.push(format!("-{nth}"));
        }
        PathBuf::from(name)
    };
    (0..).map(name).find(|name| !name.exists()).unwrap_or_else(|| name(0))
}

/// The whole blocks at a file's beginning.
struct Whole {
    bytes: u64,
    frames: u64,
    behind: Behind,
}

/// What stands behind them.
enum Behind {
    /// Nothing, or what may be the front of a block.
    Front,
    /// No block.
    Other,
}

fn walk(file: &mut File) -> io::Result<Whole> {
    let mut buffer = vec![0; READ_BYTES];
    let (mut from, mut to) = (0, 0);
    let mut whole = Whole { bytes: 0, frames: 0, behind: Behind::Front };
    loop {
        let held = buffer.get(from..to).unwrap_or_default();
        match block(held, whole.bytes == 0) {
            Block::Whole { kind, size } => {
                from += size;
                whole.bytes += size as u64;
                whole.frames += u64::from(kind == ENHANCED_PACKET);
            }
            Block::Front => {
                buffer.copy_within(from..to, 0);
                (from, to) = (0, to - from);
                let room = buffer.get_mut(to..).unwrap_or_default();
                match file.read(room) {
                    Ok(0) => return Ok(whole),
                    Ok(count) => to += count,
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    Err(error) => return Err(error),
                }
            }
            Block::None => {
                whole.behind = Behind::Other;
                return Ok(whole);
            }
        }
    }
}

enum Block {
    Whole { kind: u32, size: usize },
    Front,
    None,
}

/// The block at the beginning of `bytes`; `first` is a section's.
fn block(bytes: &[u8], first: bool) -> Block {
    let word = |at: usize| bytes.get(at..).and_then(<[u8]>::first_chunk).map(|&word| u32::from_le_bytes(word));
    let Some(kind) = word(0) else {
        return if first && !SECTION.to_le_bytes().starts_with(bytes) { Block::None } else { Block::Front };
    };
    if first && kind != SECTION {
        return Block::None;
    }
    let Some(size) = word(4) else { return Block::Front };
    let size = size as usize;
    if !(12..=BLOCK_BYTES_MAX).contains(&size) || !size.is_multiple_of(4) {
        return Block::None;
    }
    if kind == SECTION && word(8).is_some_and(|magic| magic != BYTE_ORDER_MAGIC) {
        return Block::None;
    }
    match word(size - 4) {
        None => Block::Front,
        Some(back) if back as usize == size => Block::Whole { kind, size },
        Some(_) => Block::None,
    }
}

/// Whether nothing but zeros stands behind what may be the front of one block. At the beginning of a file (`first`) it is
/// the front of a section, or nothing.
fn is_front_and_zeros(file: &mut File, first: bool) -> io::Result<bool> {
    let mut buffer = vec![0; READ_BYTES];
    let mut held = 0;
    // Enough to know the block's claim.
    while held < 8 {
        match file.read(buffer.get_mut(held..).unwrap_or_default()) {
            Ok(0) => break,
            Ok(count) => held += count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    let section = SECTION.to_le_bytes();
    if first && buffer.iter().take(4).zip(section).any(|(&found, byte)| found != byte && found != 0) {
        return Ok(false);
    }
    let claimed = buffer.get(4..8).and_then(|word| word.first_chunk()).map_or(0, |&word| u32::from_le_bytes(word));
    let front = if (12..=BLOCK_BYTES_MAX).contains(&(claimed as usize)) { claimed as usize } else { 8 };
    if buffer.iter().take(held).skip(front).any(|&byte| byte != 0) {
        return Ok(false);
    }
    loop {
        match file.read(&mut buffer) {
            Ok(0) => return Ok(true),
            Ok(count) if buffer.iter().take(count).any(|&byte| byte != 0) => return Ok(false),
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
