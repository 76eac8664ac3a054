//! All that a morning's questions found: every study's sheets, the worklist, and what each study says of each vehicle.
//!
//! The studies are asked one beside the other. One that fails becomes a sheet that says so; the others go on.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::ZonedDateTime;
use jiff::civil::Date;

use super::engine::Engine;
use super::sheet::{Query, Section, Sheet, WorkLine};
use super::{FleetError, Question, pages, worklist};

/// A morning's findings.
#[derive(Debug, Clone)]
pub struct Morning {
    /// The store, as it was named.
    pub store: String,
    /// First service day that was looked at.
    pub from: Option<Date>,
    /// The service day that ended last; none: the store has no runs.
    pub until: Option<Date>,
    /// When it was made.
    pub made: ZonedDateTime,
    /// Definition sets that decoded what the store holds.
    pub definitions: Vec<DefinitionSet>,
    /// One a study, in the order of the pages.
    pub sheets: Vec<Sheet>,
    /// What to look at, first things first.
    pub work: Vec<WorkLine>,
    /// Fleet number, and what the studies say of it.
    pub vehicles: Vec<(String, Vec<Section>)>,
    /// Studies that failed, and why.
    pub failed: Vec<String>,
    /// What was asked beside the studies' queries.
    pub asked: Vec<Query>,
}

/// A definition set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DefinitionSet {
    /// Its folder's name; empty where nobody knows.
    pub name: String,
    /// Hash of its files.
    pub hash: String,
}

/// What a morning is told about itself, for its pages to say.
#[derive(Debug, Clone)]
pub struct Occasion {
    /// The store, as it was named.
    pub store: String,
    /// Now.
    pub now: ZonedDateTime,
    /// Definition sets whose names are known; the store knows their hashes.
    pub named: Vec<DefinitionSet>,
}

/// What one study found.
struct Found {
    sheets: Vec<Sheet>,
    work: Vec<WorkLine>,
    /// As the list of vehicles.
    vehicles: Vec<Vec<Section>>,
}

/// A study that a morning asks.
struct Known {
    /// Of its sheet, for the page that says that it failed.
    id: &'static str,
    title: &'static str,
    ask: fn(Question<'_>, &[String]) -> Result<Found, FleetError>,
}

/// One line a study: its sheet's id and title, its module; and a further sheet of it that belongs to a switch of the
/// terms, if it has one.
macro_rules! study {
    ($id:literal, $title:literal, $module:ident $(, $sheet:ident if $switch:ident)?) => {
        Known {
            id: $id,
            title: $title,
            ask: |question, vehicles| {
                let study = super::$module::study(&question)?;
                #[allow(unused_mut, reason = "some have one sheet")]
                let mut sheets = vec![study.sheet()];
                $(if question.terms.$switch {
                    sheets.push(study.$sheet());
                })?
                let vehicles = vehicles.iter().map(|vehicle| study.of_vehicle(vehicle)).collect();
                Ok(Found { sheets, work: study.work(), vehicles })
            },
        }
    };
}

/// All studies, in the order of their pages.
const STUDIES: &[Known] = &[
    study!("battery-plan", "Battery plan", battery),
    study!("heat", "Weather or work", heat),
    study!("causes", "Pole-offs: place, operator or vehicle", causes, fair_use if operators),
    study!("overhead", "The overhead", overhead),
    study!("readings", "Readings", drift),
    study!("collectors", "Collectors", collectors),
    study!("charging", "Charging", charging),
    study!("cold", "Detection distance in the cold", cold),
    study!("modules", "Modules", modules),
    study!("data-quality", "Data quality", quality),
];

/// Asks every study.
///
/// # Errors
/// The vehicles cannot be listed: then the store cannot be asked at all. A study that fails is no error.
pub fn gather(question: Question<'_>, occasion: Occasion) -> Result<Morning, FleetError> {
    let mut asked_here = Vec::new();
    let vehicles = vehicles(question, &mut asked_here)?;
    let definitions = definitions(question, &occasion.named, &mut asked_here)?;
    let mut morning = Morning {
        store: occasion.store,
        from: Some(question.terms.from),
        // Every run names the set that counted it.
        until: (!definitions.is_empty()).then_some(question.terms.today),
        made: occasion.now,
        definitions,
        sheets: Vec::new(),
        work: Vec::new(),
        vehicles: vehicles.iter().map(|vehicle| (vehicle.clone(), Vec::new())).collect(),
        failed: Vec::new(),
        asked: Vec::new(),
    };
    for (known, found) in STUDIES.iter().zip(side_by_side(STUDIES, |known| asked(known, question, &vehicles))) {
        match found {
            Ok(found) => {
                morning.sheets.extend(found.sheets);
                morning.work.extend(found.work);
                let told = morning.vehicles.iter_mut().zip(found.vehicles);
                told.for_each(|((_, sections), more)| sections.extend(more));
            }
            Err(why) => {
                morning.failed.push(format!("{}: {why}", known.title));
                morning.sheets.push(could_not(known, &why));
            }
        }
    }
    morning.work = worklist::ordered(std::mem::take(&mut morning.work));
    morning.asked = asked_here;
    Ok(morning)
}

/// One study's findings, or why there are none. A fault of the program in it is its own.
fn asked(known: &Known, question: Question<'_>, vehicles: &[String]) -> Result<Found, String> {
    match catch_unwind(AssertUnwindSafe(|| (known.ask)(question, vehicles))) {
        Ok(found) => found.map_err(|error| error.to_string()),
        Err(_) => Err("a fault of the program, which stands in its log; the other studies do not depend on it".into()),
    }
}

fn could_not(known: &Known, why: &str) -> Sheet {
    Sheet {
        id: known.id.into(),
        title: known.title.into(),
        lead: vec!["This could not be reckoned today.".into(), format!("{why}.")],
        ..Sheet::default()
    }
}

/// All vehicles, on the books or in the runs, in order.
fn vehicles(question: Question<'_>, asked: &mut Vec<Query>) -> Result<Vec<String>, FleetError> {
    let mut all: Vec<String> = question.records.vehicles.iter().map(|vehicle| vehicle.vehicle.clone()).collect();
    if question.engine.has("runs", "vehicle") {
        let sql = format!("SELECT DISTINCT vehicle\nFROM runs\nWHERE {}\nORDER BY vehicle", days(question));
        let query = Query { id: "vehicles", title: "Vehicles that had a run", sql };
        all.extend(question.engine.ask(&query)?.texts("vehicle")?.into_iter().flatten());
        asked.push(query);
    }
    all.sort_by(|a, b| pages::by_number(a, b));
    all.dedup();
    Ok(all)
}

/// Definition sets that counted the runs, those used last first.
fn definitions(
    question: Question<'_>,
    named: &[DefinitionSet],
    asked: &mut Vec<Query>,
) -> Result<Vec<DefinitionSet>, FleetError> {
    if !question.engine.has("runs", "definitions") {
        return Ok(Vec::new());
    }
    let sql = format!(
        "SELECT definitions, max(service_day) AS last_day\nFROM runs\nWHERE {}\nGROUP BY definitions\nORDER BY last_day DESC, definitions",
        days(question)
    );
    let query = Query { id: "definition-sets", title: "Definition sets that counted the runs", sql };
    let hashes = question.engine.ask(&query)?.texts("definitions")?;
    asked.push(query);
    let named = |hash: String| {
        let name = named.iter().find(|set| set.hash == hash).map_or(String::new(), |set| set.name.clone());
        DefinitionSet { name, hash }
    };
    Ok(hashes.into_iter().flatten().map(named).collect())
}

/// Condition on `runs`: the days that are looked at, and their months, so that other files are not read.
fn days(question: Question<'_>) -> String {
    let (from, today) = (question.terms.from, question.terms.today);
    format!(
        "month BETWEEN '{}' AND '{}' AND service_day BETWEEN DATE '{from}' AND DATE '{today}'",
        from.strftime("%Y-%m"),
        today.strftime("%Y-%m"),
    )
}

/// The last service day before `running`, which may still go on; none: there are no runs before it.
///
/// # Errors
/// The engine cannot answer.
pub fn last_service_day(engine: &Engine, running: Date) -> Result<Option<Date>, FleetError> {
    if !engine.has("runs", "service_day") {
        return Ok(None);
    }
    let sql = format!("SELECT max(service_day) AS last_day FROM runs WHERE service_day < DATE '{running}'");
    let query = Query { id: "last-day", title: "The last service day that had a run", sql };
    let last = engine.ask(&query)?.numbers("last_day")?.into_iter().flatten().next();
    Ok(last.and_then(pages::day))
}

/// What `work` makes of each thing, in their order, on as many threads as there are cores.
fn side_by_side<T: Sync, R: Send>(things: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(things.len()));
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get).min(things.len());
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(thing) = things.get(index) else { break };
                    let made = work(thing);
                    done.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((index, made));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, made)| made).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn side_by_side_keeps_the_order() {
        let numbers: Vec<u64> = (0..200).collect();
        assert_eq!(side_by_side(&numbers, |number| number * 2), (0..400).step_by(2).collect::<Vec<u64>>());
        assert!(side_by_side(&[] as &[u8], |_| ()).is_empty());
    }

    #[test]
    fn a_study_that_fails_is_a_sheet_that_says_so() {
        let known = Known { id: "heat", title: "Weather or work", ask: |_, _| panic!("a fault") };
        let sheet = could_not(&known, "runs: out of memory");
        assert_eq!((sheet.id.as_str(), sheet.lead[1].as_str()), ("heat", "runs: out of memory."));
    }
}
