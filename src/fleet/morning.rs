//! All that a morning's questions found: every study's sheets, the worklist, and what each study says of each vehicle.
//!
//! The studies are asked one beside the other. One that fails becomes a sheet that says so; the others go on.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::ZonedDateTime;
use jiff::civil::Date;

use super::engine::Engine;
use super::sheet::{Query, Section, Sheet, WorkKind, WorkLine};
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
    study!("causes", "Place, operator or vehicle", causes, fair_use if operators),
    study!("overhead", "Overhead", overhead),
    study!("readings", "Readings", drift),
    study!("due", "Readings due", due),
    study!("collectors", "Collectors", collectors),
    study!("charging", "Charging", charging),
    study!("cold", "Cold weather", cold),
    study!("modules", "Modules", modules),
    study!("data-quality", "Data quality", quality),
];

/// Asks every study.
///
/// # Errors
/// The vehicles cannot be listed: then the store cannot be asked at all. A study that fails is no error.
pub fn gather(question: Question<'_>, occasion: Occasion) -> Result<Morning, FleetError> {
    let mut asked_here = Vec::new();
    let (vehicles, have_run) = vehicles(question, &mut asked_here)?;
    let definitions = definitions(question, &occasion.named, &mut asked_here)?;
    let mut morning = Morning {
        store: occasion.store,
        from: Some(question.terms.from),
        until: have_run.then_some(question.terms.today),
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
    // Two studies know what is due; where there are inspection sheets, theirs is the line.
    if morning.work.iter().any(|line| line.more.0 == "due") {
        morning.work.retain(|line| line.kind != WorkKind::Due || line.more.0 == "due");
    }
    morning.work = worklist::ordered(std::mem::take(&mut morning.work));
    // Its lines are the page itself; of the sheet, only what it says first is wanted.
    morning.sheets.insert(0, Sheet { sections: Vec::new(), ..worklist::sheet(&morning.work) });
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

/// All vehicles, on the books or in the runs, in order; and whether any had a run.
fn vehicles(question: Question<'_>, asked: &mut Vec<Query>) -> Result<(Vec<String>, bool), FleetError> {
    let mut all: Vec<String> = question.records.vehicles.iter().map(|vehicle| vehicle.vehicle.clone()).collect();
    let on_the_books = all.len();
    if question.engine.has("runs", "vehicle") {
        let sql = format!("SELECT DISTINCT vehicle\nFROM runs\nWHERE {}\nORDER BY vehicle", days(question));
        let query = Query { id: "vehicles", title: "Vehicles that had a run", sql };
        all.extend(question.engine.ask(&query)?.texts("vehicle")?.into_iter().flatten());
        asked.push(query);
    }
    let have_run = all.len() > on_the_books;
    all.sort_by(|a, b| pages::by_number(a, b));
    all.dedup();
    Ok((all, have_run))
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
    use std::collections::BTreeMap;
    use std::path::Path;

    use jiff::civil::date;

    use super::*;
    use crate::fleet::planted::{self, FIRST, Run};
    use crate::records::{Records, Vehicle};

    fn gathered(store: &Path, records: &Records) -> Morning {
        let engine = planted::engine(store, records);
        let terms = planted::terms(FIRST, date(2026, 3, 31));
        let now = date(2026, 4, 1).at(5, 0, 0, 0).in_tz("Europe/Vienna").unwrap();
        let occasion = Occasion { store: "store".into(), now, named: Vec::new() };
        let question = Question { engine: &engine, records, terms: &terms };
        let morning = gather(question, occasion).unwrap();
        assert_eq!(morning.failed, Vec::<String>::new());
        // A query asked by two studies stands once among all, and says the same in both.
        let mut queries: BTreeMap<&str, &str> = BTreeMap::new();
        for query in morning.sheets.iter().flat_map(|sheet| &sheet.queries).chain(&morning.asked) {
            let before = queries.insert(query.id, &query.sql);
            assert!(before.is_none_or(|sql| sql == query.sql), "{} is two queries", query.id);
        }
        morning
    }

    fn page(folder: &Path, name: &str) -> String {
        std::fs::read_to_string(folder.join(name)).unwrap()
    }

    /// The hours and counters of a day like any other.
    fn run(vehicle: &str, day: i64) -> Run {
        let counters =
            [("distance", 90_000.0), ("off_wire_distance", 4_000.0), ("off_wire_changes", 12.0), ("pole_offs", 0.0)];
        Run {
            vehicle: vehicle.into(),
            day: FIRST.checked_add(jiff::Span::new().days(day)).unwrap(),
            from_hour: 5.0,
            hours: 14.0,
            counters: counters.into_iter().collect(),
        }
    }

    #[test]
    fn an_empty_store_has_a_morning() {
        let store = planted::store(&[]);
        let morning = gathered(store.path(), &Records::default());
        assert_eq!((morning.until, morning.vehicles.len()), (None, 0));
        let folder = tempfile::tempdir().unwrap();
        let written = pages::write(&folder.path().join("morning"), &morning).unwrap();
        assert!(page(written.index.parent().unwrap(), "index.html").contains("holds no service day yet"));
    }

    #[test]
    fn a_fleet_of_one_that_lost_no_pole_has_a_morning() {
        let runs: Vec<Run> = (0..80).map(|day| run("207", day)).collect();
        let store = planted::store(&runs);
        let on_the_books = |vehicle: &str| Vehicle { vehicle: vehicle.into(), ..Vehicle::default() };
        let records = Records { vehicles: vec![on_the_books("1207"), on_the_books("207")], ..Records::default() };
        let morning = gathered(store.path(), &records);
        assert_eq!(morning.until, Some(date(2026, 3, 31)));
        let vehicles: Vec<&str> = morning.vehicles.iter().map(|(vehicle, _)| vehicle.as_str()).collect();
        assert_eq!(vehicles, ["207", "1207"]);
        let folder = tempfile::tempdir().unwrap();
        let written = pages::write(&folder.path().join("morning"), &morning).unwrap();
        let folder = written.index.parent().unwrap();
        for known in STUDIES {
            let html = page(folder, &format!("{}.html", known.id));
            assert!(!html.contains("could not be reckoned") && !html.contains("NaN"), "{}", known.id);
        }
        assert!(page(folder, "vehicle/1207.html").contains("never reported"), "who never reported is told so");
    }

    #[test]
    fn the_last_day_is_one_that_is_over() {
        let store = planted::store(&[run("207", 0), run("207", 3)]);
        let engine = planted::engine(store.path(), &Records::default());
        let last = |running: Date| last_service_day(&engine, running).unwrap();
        assert_eq!(
            [4, 3, 0].map(|day| last(FIRST.checked_add(jiff::Span::new().days(day)).unwrap())),
            [Some(date(2026, 1, 4)), Some(FIRST), None]
        );
    }

    #[test]
    fn side_by_side_keeps_the_order() {
        let numbers: Vec<u64> = (0..200).collect();
        assert_eq!(side_by_side(&numbers, |number| number * 2), (0..400).step_by(2).collect::<Vec<u64>>());
        assert!(side_by_side(&[] as &[u8], |_| ()).is_empty());
    }

    #[test]
    fn a_study_that_fails_is_a_sheet_that_says_so() {
        let fails = Known { id: "heat", title: "Weather or work", ask: |_, _| panic!("a fault") };
        let store = planted::store(&[]);
        let records = Records::default();
        let engine = planted::engine(store.path(), &records);
        let terms = planted::terms(FIRST, FIRST);
        let why = asked(&fails, Question { engine: &engine, records: &records, terms: &terms }, &[]);
        let why = why.err().unwrap();
        assert!(why.contains("a fault of the program"));
        let sheet = could_not(&fails, &why);
        assert!(sheet.id == "heat" && sheet.lead[1].starts_with("a fault of the program"));
    }
}
