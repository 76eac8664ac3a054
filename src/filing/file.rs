//! Sorted pieces and counted runs → one change of the store.
//!
//! Frames that the store has already, from captures that overlap, are written once. Where a capture joins a stretch of
//! recording that was counted before, that stretch is counted again from the store, not added to: at once, or, where
//! captures come one after another, when it is worth it.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

use super::counting::{Counted, Counting, Row, gap_us, routes_of};
use super::order::OrderWatch;
use super::{BLOCK_FRAMES, FilingError, Sorted, Table, mark_of, sort_capture};
use crate::capture::{self, Capture, ReadOptions};
use crate::day::ServiceDays;
use crate::decode::Router;
use crate::defs::Definitions;
use crate::frame::{Frame, FrameBlock, Meta, TimeUs};
use crate::run::{CutReason, Place};
use crate::stop::Stop;
use crate::store::merge::{merge, without_known};
use crate::store::read::{FrameReader, file_prefix, merged_files, piece_name};
use crate::store::records::{CaptureKey, Part, Stretch};
use crate::store::rows::{Footer, Wanted};
use crate::store::{Change, Filed, Store, StoreError, VehicleFiled, order, summary};
use crate::table::{health, runs};

/// Everything that filing needs besides the capture.
pub struct Desk<'a> {
    /// Where it goes.
    pub store: &'a Store,
    /// What decodes it.
    pub defs: &'a Definitions,
    /// Whose it is.
    pub settings: &'a super::Settings,
    /// Special work of the overhead.
    pub places: &'a [Place],
    /// When runs are counted.
    pub count: Count,
    /// Looked at between batches: once it is set, what is under way is given up.
    pub stop: Option<&'a Stop>,
}

/// When the runs of a capture are counted. Sooner or later, the rows are the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Count {
    /// While it is read; a stretch that it joins, behind that.
    #[default]
    AtOnce,
    /// While it is read; a stretch that it joins, when [`Desk::count_due`] is called.
    JoinedLater,
    /// When [`Desk::count_due`] is called.
    Later,
}

/// What of the stretches that are still to be counted is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Due {
    /// All of it.
    All,
    /// What is worth it at an instant, µs of the system's clock: stretches that are over, and those that have doubled
    /// since they were counted, so that all the counting together stays in proportion to the frames.
    Worth {
        /// Now.
        now_us: TimeUs,
    },
    /// What begins before an instant, µs: the end of a service day.
    Before {
        /// Now.
        now_us: TimeUs,
        /// The instant.
        until_us: TimeUs,
    },
}

/// What was counted again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Recounted {
    /// Stretches.
    pub stretches: usize,
    /// Frames read for it.
    pub frames: u64,
}

/// What came of a capture.
#[derive(Debug)]
pub enum Outcome {
    /// It was filed.
    Filed(Filed),
    /// The very same capture was filed before; nothing was changed.
    Known(Filed),
}

impl Outcome {
    /// The record.
    pub fn record(&self) -> &Filed {
        match self {
            Self::Filed(record) | Self::Known(record) => record,
        }
    }
}

impl<'a> Desk<'a> {
    /// A desk that counts at once, and that nobody stops.
    pub fn new(store: &'a Store, defs: &'a Definitions, settings: &'a super::Settings, places: &'a [Place]) -> Self {
        Self { store, defs, settings, places, count: Count::AtOnce, stop: None }
    }

    /// Fails where somebody asked for an end.
    pub(super) fn go_on(&self) -> Result<(), FilingError> {
        if self.stop.is_some_and(Stop::is_set) { Err(FilingError::Stopped) } else { Ok(()) }
    }

    /// Files a capture file. `progress` is told the bytes read.
    ///
    /// # Errors
    /// It cannot be read, or the store not be written; then the store is as it was.
    pub fn file(&self, path: &Path, progress: &mut (dyn FnMut(u64) + Send)) -> Result<Outcome, FilingError> {
        self.store.recover()?;
        let size = std::fs::metadata(path).map(|metadata| metadata.len()).unwrap_or(0);
        if self.store.with_index(|index| index.has_size(size))?
            && let Some(id) = hash_of(path)
            && let Some(record) = self.store.record(&id)?
        {
            // The power may have been cut between its filing and its counting.
            if self.count == Count::AtOnce {
                self.count_due(Due::All)?;
            }
            return Ok(Outcome::Known(record));
        }
        let mut capture = capture::open_with(path, ReadOptions { content_hash: true, ..ReadOptions::default() })?;
        self.file_capture(&mut capture, progress)
    }

    /// Files an opened capture; it must have been opened with its content hash asked for.
    ///
    /// # Errors
    /// It cannot be read, or the store not be written; then the store is as it was.
    pub fn file_capture(
        &self,
        capture: &mut Capture,
        progress: &mut (dyn FnMut(u64) + Send),
    ) -> Result<Outcome, FilingError> {
        let outcome = self.file_opened(capture, progress);
        if outcome.is_err() {
            // The error that is told is the first one.
            let _left_for_the_next_opening = self.store.clear_incoming();
        }
        outcome
    }

    fn file_opened(
        &self,
        capture: &mut Capture,
        progress: &mut (dyn FnMut(u64) + Send),
    ) -> Result<Outcome, FilingError> {
        self.store.recover()?;
        if self.count == Count::AtOnce {
            self.count_due(Due::All)?;
        }
        let sorted = sort_capture(self, capture, progress)?;
        let hash = capture.content_hash()?.unwrap_or_default();
        let id = format!("{hash:032x}");
        if let Some(record) = self.store.record(&id)? {
            for piece in &sorted.pieces {
                self.store.discard(&piece.file.path)?;
            }
            return Ok(Outcome::Known(record));
        }
        self.store.keep_definitions(self.defs)?;
        let mut filed = self.record(&id, capture, &sorted);
        let mut change = Change::default();
        for (vehicle, part) in &sorted.parts {
            let own = part.first_us..=part.last_us;
            let near = self.store.with_index(|index| index.near(vehicle, &own, gap_us(self.defs)))?;
            let meets = |other: &&Part| other.first_us <= part.last_us && other.last_us >= part.first_us;
            let others: Vec<Part> = near.iter().filter(meets).copied().collect();
            let shared = self.put_pieces(&mut change, &sorted, vehicle, &id, &others)?;
            if let Some(entry) = filed.vehicles.iter_mut().find(|entry| entry.vehicle == *vehicle) {
                entry.known_frames = shared.frames;
                entry.frames_sum = Some(format!("{:016x}", part.order.sum().wrapping_sub(shared.sum())));
            }
            if self.count == Count::Later || !near.is_empty() {
                filed.counts_due.push(vehicle.clone());
            }
        }
        for (vehicle, counted) in &sorted.counted {
            let several = sorted.parts.len() > 1;
            let told = |text: &String| if several { format!("vehicle {vehicle}: {text}") } else { text.clone() };
            filed.remarks.extend(counted.remarks.iter().map(told));
            filed.notes.extend(counted.notes.iter().map(told));
            if !filed.counts_due.contains(vehicle) {
                self.put_summaries(&mut change, vehicle, &id, counted)?;
            }
        }
        order::put(self.store, &mut change, &id, &sorted.late(self.defs))?;
        change.record(filed.clone());
        self.go_on()?;
        self.store.commit(&change)?;
        if self.count == Count::AtOnce {
            self.count_due(Due::All)?;
        }
        Ok(Outcome::Filed(filed))
    }

    fn record(&self, id: &str, capture: &Capture, sorted: &Sorted) -> Filed {
        let vehicles = sorted
            .parts
            .iter()
            .map(|(vehicle, part)| VehicleFiled {
                vehicle: vehicle.clone(),
                frames: part.order.frames,
                known_frames: 0,
                first_us: part.first_us,
                last_us: part.last_us,
                buses: sorted.buses.clone(),
                frames_hash: part.order.hash(),
                frames_sum: None,
            })
            .collect();
        Filed {
            id: id.to_owned(),
            source: capture.name().to_owned(),
            bytes: capture.bytes_read(),
            definition_set: self.defs.name.clone(),
            definitions: self.defs.hash.clone(),
            zone: self.settings.days.zone_name().map(str::to_owned),
            vehicles,
            remarks: capture.tally().remarks(),
            notes: Vec::new(),
            counts_due: Vec::new(),
            heard_last: sorted.heard_last.clone(),
        }
    }

    /// Puts one vehicle's pieces at their places, without the frames that `others` brought, which lie over it in time.
    /// Gives these as they were counted.
    fn put_pieces(
        &self,
        change: &mut Change,
        sorted: &Sorted,
        vehicle: &str,
        id: &str,
        others: &[Part],
    ) -> Result<OrderWatch, StoreError> {
        let mut shared = OrderWatch::default();
        let Some(part) = sorted.parts.get(vehicle) else { return Ok(shared) };
        let span = part.first_us..=part.last_us;
        let name = piece_name(vehicle, part.first_us, id);
        let others: Vec<String> =
            others.iter().map(|other| piece_name(vehicle, other.first_us, &other.capture.to_string())).collect();
        let mut places: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for piece in sorted.pieces.iter().filter(|piece| piece.key.vehicle == vehicle) {
            places.entry((piece.key.table, piece.key.date)).or_default().push(piece.file.path.clone());
        }
        for ((table, date), pieces) in places {
            let folder = match table {
                Table::Message(message) => self.store.signals_folder(&self.defs.messages[message].name, date),
                Table::Raw => self.store.raw_folder(date),
            };
            let mut fresh = match pieces.as_slice() {
                [one] => one.clone(),
                _ => {
                    let footers: Result<Vec<Footer>, _> = pieces.iter().map(|piece| Footer::read(piece)).collect();
                    let merged = merge(self.store, footers?, self.stop)?;
                    pieces.iter().try_for_each(|piece| self.store.discard(piece))?;
                    merged.path
                }
            };
            let known = if others.is_empty() { Vec::new() } else { self.known(&folder, &fresh, vehicle, &others)? };
            if !known.is_empty() {
                let before = shared.frames;
                let mut tell = |frame: &Frame, bus: &str| {
                    let meta = Meta::new(0, frame.kind, frame.flags, frame.len, frame.raw_dlc);
                    shared.frame(frame.time_us, 0, frame.id, meta, mark_of(bus), frame.bytes());
                };
                let fresh_footer = Footer::read(&fresh)?;
                let rest = without_known(self.store, &fresh_footer, &known, vehicle, span.clone(), &mut tell)?;
                let found = shared.frames - before;
                match rest {
                    // All of it is new: the file is as good as it was.
                    Some(rest) if found == 0 => self.store.discard(&rest.path)?,
                    rest => {
                        self.store.discard(&fresh)?;
                        let Some(rest) = rest else { continue };
                        fresh = rest.path;
                    }
                }
            }
            change.put(self.store, &fresh, &folder.join(&name));
        }
        Ok(shared)
    }

    /// Files of a table's day that hold rows of a vehicle within the time that a fresh one spans.
    fn known(&self, folder: &Path, fresh: &Path, vehicle: &str, others: &[String]) -> Result<Vec<Footer>, StoreError> {
        let Some((first, last)) = Footer::read(fresh)?.times else { return Ok(Vec::new()) };
        let wanted = Wanted { vehicle: vehicle.to_owned(), span: first..=last };
        let mut paths: Vec<_> = others.iter().map(|name| folder.join(name)).filter(|path| path.exists()).collect();
        paths.extend(merged_files(folder)?);
        let mut known = Vec::new();
        for path in paths {
            let footer = Footer::read(&path)?;
            if wanted.may_be_in_file(&footer) {
                if footer.definitions.as_deref() != Some(self.defs.hash.as_str()) {
                    return Err(StoreError::OtherDefinitions { path, ours: self.defs.hash.clone() });
                }
                known.push(footer);
            }
        }
        Ok(known)
    }

    fn put_summaries(&self, change: &mut Change, vehicle: &str, id: &str, counted: &Counted) -> Result<(), StoreError> {
        let days = &self.settings.days;
        let name = |number: u32| match number {
            0 => format!("{}{}.parquet", file_prefix(vehicle), short(id)),
            number => format!("{}{}-{number}.parquet", file_prefix(vehicle), short(id)),
        };
        let mut put = |table: &str, date, batch: arrow_array::RecordBatch, recordings_us| -> Result<(), StoreError> {
            let written = summary::write(self.store, table, &summary::with_recordings(&batch, recordings_us))?;
            let folder = self.store.month_folder(table, date);
            // Rows of other recordings may stay in a file of that name.
            let mut free = (0..).map(|number| folder.join(name(number))).filter(|to| !change.puts(self.store, to));
            let to = free.next().unwrap_or_else(|| folder.join(name(0)));
            change.put(self.store, &written.path, &to);
            Ok(())
        };
        if let Some(rules) = &self.defs.rules {
            for (date, rows, of) in by_month(days, &counted.runs, |run| run.start_us) {
                let dates: Vec<_> = rows.iter().map(|run| days.of(run.start_us).date).collect();
                put(runs::RUNS, date, runs::runs(self.defs, rules, vehicle, &rows, &dates), of)?;
            }
            for (date, rows, of) in by_month(days, &counted.events, |event| event.run_start_us) {
                let dates: Vec<_> = rows.iter().map(|event| days.of(event.run_start_us).date).collect();
                put(runs::EVENTS, date, runs::events(self.defs, rules, vehicle, &rows, &dates), of)?;
            }
        }
        for (date, rows, of) in by_month(days, &counted.buses, |row| row.hour_start_us) {
            put(health::BUSES, date, health::buses(self.defs, vehicle, &rows, days), of)?;
        }
        for (date, rows, of) in by_month(days, &counted.messages, |row| row.hour_start_us) {
            put(health::MESSAGES, date, health::messages(self.defs, vehicle, &rows, days), of)?;
        }
        Ok(())
    }

    /// Counts stretches that captures were filed to without it, or have joined late. Goes on where a power cut left it.
    /// Asked to stop, it ends between two stretches or gives one up, and what was not counted stays due.
    ///
    /// # Errors
    /// The store cannot be read or written, or somebody asked for an end.
    pub fn count_due(&self, due: Due) -> Result<Recounted, FilingError> {
        self.store.recover()?;
        let mut recounted = Recounted::default();
        let counted = self.count_stretches(due, &mut recounted);
        if counted.is_err() {
            let _left_for_the_next_opening = self.store.clear_incoming();
        }
        counted.map(|()| recounted)
    }

    fn count_stretches(&self, due: Due, recounted: &mut Recounted) -> Result<(), FilingError> {
        let gap_us = gap_us(self.defs);
        let waiting: Vec<(String, TimeUs, CaptureKey)> = self.store.with_index(|index| {
            index.due().map(|(vehicle, first_us, capture)| (vehicle.to_owned(), first_us, capture)).collect()
        })?;
        let mut seen: Option<(String, TimeUs)> = None;
        for (vehicle, first_us, capture) in waiting {
            // In order of vehicle and time: further captures of a stretch that was looked at.
            if seen.as_ref().is_some_and(|(name, end_us)| *name == vehicle && first_us <= *end_us) {
                continue;
            }
            let stretch = self.store.with_index(|index| {
                let own = index.part(&vehicle, first_us, capture).filter(|part| part.due)?;
                Some(index.stretch(&vehicle, own.first_us..=own.last_us, gap_us))
            })?;
            let Some(stretch) = stretch else { continue };
            seen = Some((vehicle.clone(), *stretch.span.end()));
            let over = due.is_over(*stretch.span.end(), gap_us);
            let up_to = self.store.counted_up_to(&vehicle);
            let frames = |is_new: bool| -> u64 {
                let of = |part: &&Part| (part.due && Some(part.capture) != up_to) == is_new;
                stretch.parts.iter().filter(of).map(|part| part.frames).sum()
            };
            let grown = frames(true) > 0;
            let wanted = match due {
                Due::All => true,
                Due::Worth { .. } => over || (grown && frames(true) >= frames(false)),
                Due::Before { until_us, .. } => *stretch.span.start() < until_us && (over || grown),
            };
            if wanted {
                let whole = due == Due::All || over;
                self.count_stretch(&vehicle, &stretch, whole, over)?;
                let last = stretch.parts.iter().max_by_key(|part| (part.last_us, part.capture));
                self.store.note_counted(&vehicle, last.filter(|_| !whole).map(|part| part.capture));
                recounted.stretches += 1;
                recounted.frames += frames(true) + frames(false);
            }
        }
        Ok(())
    }

    /// Counts one stretch as the store has it. `whole`: nothing of it is to be counted again. Else its last part stays
    /// due, so that it is counted once more when it is over.
    fn count_stretch(&self, vehicle: &str, stretch: &Stretch, whole: bool, over: bool) -> Result<(), FilingError> {
        tracing::debug!(vehicle, captures = stretch.parts.len(), "counting a stretch from the store");
        let reason = if over { CutReason::Silence } else { CutReason::EndOfRecording };
        let (first_us, last_us) = (*stretch.span.start(), *stretch.span.end());
        if self.store.given_up()?.iter().any(|gone| gone.meets(first_us, last_us)) {
            return self.count_latecomers(vehicle, stretch);
        }
        let counted = self.count_again(vehicle, stretch.span.clone(), reason)?;
        let mut change = Change::default();
        summary::drop_rows(self.store, &mut change, vehicle, &stretch.span)?;
        let last = stretch.parts.iter().max_by_key(|part| (part.last_us, part.capture)).map(|part| part.capture);
        let first = stretch.parts.first().map(|part| part.capture.to_string()).unwrap_or_default();
        self.put_summaries(&mut change, vehicle, &first, &counted)?;
        for part in stretch.parts.iter().filter(|part| part.due && (whole || Some(part.capture) != last)) {
            if let Some(mut filed) = self.store.record(&part.capture.to_string())? {
                filed.counts_due.retain(|due| due != vehicle);
                change.update(self.store, filed)?;
            }
        }
        self.go_on()?;
        self.store.commit(&change)?;
        Ok(())
    }

    /// Counts what came late to a stretch of which frames were given up: each capture by itself, for what was counted
    /// of the others cannot be counted again.
    fn count_latecomers(&self, vehicle: &str, stretch: &Stretch) -> Result<(), FilingError> {
        for part in stretch.parts.iter().filter(|part| part.due) {
            let id = part.capture.to_string();
            let counted = self.count_again(vehicle, part.first_us..=part.last_us, CutReason::EndOfRecording)?;
            let mut change = Change::default();
            self.put_summaries(&mut change, vehicle, &id, &counted)?;
            if let Some(mut filed) = self.store.record(&id)? {
                filed.counts_due.retain(|due| due != vehicle);
                change.update(self.store, filed)?;
            }
            self.go_on()?;
            self.store.commit(&change)?;
        }
        Ok(())
    }

    /// Counts one vehicle's frames of a span as the store has them.
    fn count_again(
        &self,
        vehicle: &str,
        span: RangeInclusive<TimeUs>,
        reason: CutReason,
    ) -> Result<Counted, FilingError> {
        let mut reader = FrameReader::open(self.store, vehicle, span)?;
        let mut router = Router::new(self.defs, &[]);
        let mut channels = Vec::new();
        let mut counting = Counting::new(self.defs, self.places);
        let (mut block, mut ranks) = (FrameBlock::default(), Vec::new());
        loop {
            self.go_on()?;
            block.clear();
            ranks.clear();
            let more = reader.fill(&mut block, &mut ranks, BLOCK_FRAMES)?;
            for bus in &reader.buses()[router.channel_count()..] {
                let bus = self.defs.bus(bus);
                router.add_channel(bus);
                channels.push(bus);
            }
            let routes = routes_of(&mut router, self.defs, &block);
            counting.take(&block, &routes, &channels, 0..block.len());
            if !more {
                return Ok(counting.finish(reason));
            }
        }
    }
}

impl Due {
    /// Whether a stretch that ends at an instant can be joined by nothing more that is recorded.
    fn is_over(self, end_us: TimeUs, gap_us: i64) -> bool {
        match self {
            Self::All => false,
            Self::Worth { now_us } | Self::Before { now_us, .. } => now_us.saturating_sub(end_us) > gap_us,
        }
    }
}

/// Rows of a month with a date in it, and the recordings they were counted from.
type OfMonth<T> = (jiff::civil::Date, Vec<T>, Vec<TimeUs>);

/// Rows by the month of their service day.
fn by_month<T: Clone>(days: &ServiceDays, rows: &[Row<T>], time: impl Fn(&T) -> TimeUs) -> Vec<OfMonth<T>> {
    let mut months: BTreeMap<(i16, i8), OfMonth<T>> = BTreeMap::new();
    for (recording_us, row) in rows {
        let date = days.of(time(row)).date;
        let month = months.entry((date.year(), date.month())).or_insert_with(|| (date, Vec::new(), Vec::new()));
        month.1.push(row.clone());
        month.2.push(*recording_us);
    }
    months.into_values().collect()
}

/// Enough of a hash to tell files of one vehicle and day apart.
fn short(id: &str) -> &str {
    id.get(..12).unwrap_or(id)
}

/// XXH3-128 of a file's bytes, as records are called; none where it cannot be read.
pub fn hash_of(path: &Path) -> Option<String> {
    let file = std::fs::File::open(path).ok()?;
    let mut reader = std::io::BufReader::with_capacity(1 << 20, file);
    let mut hasher = twox_hash::XxHash3_128::new();
    loop {
        let chunk = std::io::BufRead::fill_buf(&mut reader).ok()?;
        if chunk.is_empty() {
            return Some(format!("{:032x}", hasher.finish_128()));
        }
        let read = chunk.len();
        hasher.write(chunk);
        std::io::BufRead::consume(&mut reader, read);
    }
}
