//! The heat study, for people.

use std::collections::BTreeMap;

use super::Study;
use super::hot::{HOT_C, HOT_FOR_THE_DAY_K, HotDay, Why};
use super::model::{Model, SICK_K};
use super::sensors::{self, Bias, OFF_K};
use crate::fleet::battery::finite;
use crate::fleet::sheet::{
    Axis, Cell, Drawn, Level, Mark, Picture, Rung, Section, Sheet, Sure, Table, Trace, WorkKind, WorkLine,
};
use crate::fleet::{shown::column, span, words};

const SHEET: &str = "heat";
const DAYS: Option<&str> = Some("heat-days");
/// Hot days shown: the hottest.
const SHOWN_MOST: usize = 200;
/// Bars of hot days.
const BARS: usize = 12;
const RUNGS: usize = 20;
/// Heat by itself ends no run; a hot pack ages faster, and may be about to fail. Taken for so many losses a month.
const WEIGHT_SICK: f64 = 0.3;
/// A sensor that lies costs nothing but wrong conclusions. Likewise.
const WEIGHT_SENSOR: f64 = 0.05;
const CAUTION: &str = "A hot battery may be damaged inside: keep clear of its vents, and follow the agency's isolation procedure and the \
                       pack maker's instructions.";

impl Study {
    /// The page `heat`.
    pub fn sheet(&self) -> Sheet {
        let mut sheet = Sheet {
            id: SHEET.into(),
            title: "Hot batteries: weather, work or sick".into(),
            lead: self.lead(),
            sections: Vec::new(),
            queries: self.queries.clone(),
        };
        if let Some(model) = &self.model {
            sheet.sections.push(self.packs_section());
            sheet.sections.push(self.hot_section());
            sheet.sections.push(self.model_section(model));
        }
        if !self.sensors.is_empty() {
            sheet.sections.push(self.sensors_section());
        }
        sheet
    }

    fn sick(&self) -> Vec<usize> {
        let mut sick: Vec<usize> = (0..self.packs.len()).filter(|&pack| self.packs[pack].is_sick()).collect();
        sick.sort_by(|&a, &b| self.lately_own(b).total_cmp(&self.lately_own(a)));
        sick
    }

    fn lately_own(&self, pack: usize) -> f64 {
        self.packs[pack].lately.map_or(f64::NEG_INFINITY, |lately| lately.own)
    }

    fn lying(&self) -> Vec<&Bias> {
        let mut lying: Vec<&Bias> = self.sensors.iter().filter(|bias| bias.off >= sensors::SURE).collect();
        lying.sort_by(|a, b| b.bias.abs().total_cmp(&a.bias.abs()));
        lying
    }

    fn lead(&self) -> Vec<String> {
        let mut lead = Vec::new();
        if self.model.is_some() {
            let sick: Vec<String> = self
                .sick()
                .into_iter()
                .map(|pack| {
                    let own = &self.packs[pack];
                    let lately = own.lately.map_or(String::new(), |lately| {
                        format!(" ({} K ± {:.1})", words::signed(lately.own), lately.error)
                    });
                    format!("{} in {}{lately}", own.name, own.vehicle)
                })
                .collect();
            lead.push(if sick.is_empty() {
                format!("No pack is hotter than weather and work explain, by more than {SICK_K:.0} K.")
            } else {
                format!("Hotter than weather and work explain: {}.", sick.join(", "))
            });
            lead.push(self.causes_words());
        }
        let lying: Vec<String> =
            self.lying().iter().map(|bias| format!("{} ({} K)", bias.vehicle, words::signed(bias.bias))).collect();
        if !lying.is_empty() {
            lead.push(format!("Ambient sensors that are off: {}.", lying.join(", ")));
        }
        lead.extend(self.notes.iter().cloned());
        lead
    }

    fn causes_words(&self) -> String {
        if self.hot.is_empty() {
            return format!(
                "No day was hot: none of {} reached {HOT_C:.0} °C.",
                words::count(self.days as u64, "vehicle-day", "vehicle-days")
            );
        }
        let mut why: BTreeMap<Why, u64> = BTreeMap::new();
        for day in &self.hot {
            *why.entry(day.why).or_default() += 1;
        }
        let parts: Vec<String> = why.into_iter().map(|(why, count)| format!("{} {count}", why.name())).collect();
        format!(
            "{} of {} were hot; by what added most: {}. {} would not have been hot but for the pack.",
            words::count(self.hot.len() as u64, "vehicle-day", "vehicle-days"),
            words::number(self.days as f64, 0),
            parts.join(", "),
            words::number(self.hot.iter().filter(|day| day.but_for_pack).count() as f64, 0)
        )
    }

    // ---- packs -----------------------------------------------------------------------------------------------------

    fn packs_section(&self) -> Section {
        let mut order: Vec<usize> = (0..self.packs.len()).filter(|&pack| self.packs[pack].lately.is_some()).collect();
        order.sort_by(|&a, &b| self.lately_own(b).total_cmp(&self.lately_own(a)));
        let mut section = Section {
            id: "packs".into(),
            heading: "What each pack adds of its own".into(),
            text: vec![format!(
                "What is left of a pack's peak temperature when weather and work are taken off, over the last eight weeks. \
                 Called sick: more than {SICK_K:.0} K with a probability of {} or more, so that no more than one in twenty of \
                 those called so is expected not to be.",
                words::percent(super::model::SURE)
            )],
            ..Section::default()
        };
        if order.is_empty() {
            section.text.push("No pack has run in three of the last eight weeks.".into());
            return section;
        }
        let rungs: Vec<usize> = order.iter().take(RUNGS).copied().collect();
        section.pictures.push(self.ladder("heat-picture", &rungs, None));
        section.tables.push(self.packs_table("packs", &order));
        section
    }

    fn packs_table(&self, id: &str, order: &[usize]) -> Table {
        let columns = vec![
            column("pack", "", "Its number in packs.csv."),
            column("vehicle", "", "Where it is."),
            column("adds lately", "K", "Beside what weather and work explain, over the last eight weeks."),
            column("± lately", "K", "Standard error."),
            column("sick", "", "Probability that it adds more than 3 K."),
            column("weeks", "", "Weeks that it rests on."),
            column("adds over all", "K", "The same over all days."),
            column("± over all", "K", "Standard error."),
            column("hottest", "Cel", "Highest peak."),
        ];
        let rows = order
            .iter()
            .map(|&number| {
                let pack = &self.packs[number];
                let lately = pack.lately;
                vec![
                    Cell::Text(pack.name.clone()),
                    Cell::Vehicle(pack.vehicle.clone()),
                    Cell::maybe(lately.map(|own| own.own), 1, "not lately"),
                    Cell::maybe(lately.map(|own| own.error), 1, ""),
                    lately.map_or(Cell::Missing(""), |own| Cell::share(own.sick)),
                    lately.map_or(Cell::Missing(""), |own| Cell::Count(own.weeks as u64)),
                    Cell::maybe(pack.over_all.map(|own| own.0), 1, ""),
                    Cell::maybe(pack.over_all.map(|own| own.1), 1, ""),
                    Cell::number(pack.hottest, 1),
                ]
            })
            .collect();
        let caption = "Packs, by what they add lately".into();
        Table { id: id.into(), caption, columns, rows, query: DAYS }
    }

    fn ladder(&self, id: &str, rungs: &[usize], strong: Option<usize>) -> Picture {
        let rows: Vec<Rung> = rungs
            .iter()
            .filter_map(|&number| {
                let (pack, lately) = (&self.packs[number], self.packs[number].lately?);
                Some(Rung {
                    label: format!("{} in {}", pack.name, pack.vehicle),
                    vehicle: Some(pack.vehicle.clone()),
                    low: finite(lately.own - 1.645 * lately.error),
                    mid: finite(lately.own),
                    high: finite(lately.own + 1.645 * lately.error),
                    strong: strong.map_or(pack.is_sick(), |strong| strong == number),
                })
            })
            .collect();
        let says = rows.iter().find(|row| row.strong).or(rows.first()).map_or("Nothing to show.".into(), |row| {
            format!("{} adds {:.1} K ({:.1} to {:.1}).", row.label, row.mid, row.low, row.high)
        });
        Picture {
            id: id.into(),
            title: "What each pack adds of its own, with 90 % interval".into(),
            says,
            drawn: Drawn::Ladder {
                axis: Axis { name: "beside what weather and work explain".into(), unit: "K".into(), days: false },
                rows,
                level: Some(Level { at: SICK_K, name: "sick".into() }),
            },
            table: self.packs_table("packs", rungs),
        }
    }

    // ---- hot days --------------------------------------------------------------------------------------------------

    fn hot_section(&self) -> Section {
        let mut hottest: Vec<&HotDay> = self.hot.iter().collect();
        hottest.sort_by(|a, b| b.peak.total_cmp(&a.peak).then(b.day.total_cmp(&a.day)));
        let mut section = Section {
            id: "hot-days".into(),
            heading: "Hot days".into(),
            text: vec![
                format!(
                    "Hot is a peak of {:.0} °C or more{}, or one {HOT_FOR_THE_DAY_K:.0} K above what weather and work of \
                     the day explain. The parts add up to the peak, from what a usual pack reaches on a usual day; what this \
                     pack adds is taken month by month.",
                    self.limit,
                    if self.limit < HOT_C { " (the hottest hundredth of all days)" } else { "" }
                ),
                format!(
                    "The cause is the part that added most; of a day that was hot only for its weather and work, they are no \
                     reason. Not hot but for this pack: it adds {SICK_K:.0} K or more, and without that the day would not have \
                     been hot, whatever added most. Unexplained is what that day alone added: a load the bus does not tell of, \
                     or a wrong sensor."
                ),
                self.causes_words(),
            ],
            ..Section::default()
        };
        if hottest.is_empty() {
            return section;
        }
        let bars: Vec<&HotDay> = hottest.iter().take(BARS).copied().collect();
        section.pictures.push(self.parts("hot-days-picture", &bars));
        if hottest.len() > SHOWN_MOST {
            section.text.push(format!("The {SHOWN_MOST} hottest are shown; the query gives all days."));
        }
        hottest.truncate(SHOWN_MOST);
        section.tables.push(self.hot_table("hot-days", &hottest));
        section
    }

    fn hot_table(&self, id: &str, days: &[&HotDay]) -> Table {
        let columns = vec![
            column("day", "", "Service day."),
            column("vehicle", "", ""),
            column("pack", "", ""),
            column("peak", "Cel", "Highest temperature of the battery."),
            column("usual", "Cel", "What a usual pack reaches on a usual day."),
            column("weather", "K", "For a day warmer or colder than usual."),
            column("work", "K", "For more or less km off the wire and charge than usual."),
            column("this pack", "K", "What it adds in that month."),
            column("unexplained", "K", "What is left."),
            column("cause", "", "What added most."),
            column("but for this pack", "", "Whether it would not have been hot without what this pack adds."),
        ];
        let rows = days
            .iter()
            .map(|day| {
                let pack = &self.packs[day.pack];
                vec![
                    span::day_of(day.day).map_or(Cell::Missing(""), Cell::Day),
                    Cell::Vehicle(pack.vehicle.clone()),
                    Cell::Text(pack.name.clone()),
                    Cell::number(day.peak, 1),
                    Cell::number(day.usual, 1),
                    Cell::number(day.weather, 1),
                    Cell::number(day.work, 1),
                    Cell::number(day.own, 1),
                    Cell::number(day.unexplained, 1),
                    Cell::Text(day.why.name().into()),
                    Cell::Text(if day.but_for_pack { "not hot" } else { "hot" }.into()),
                ]
            })
            .collect();
        Table { id: id.into(), caption: "Hot days in parts, the hottest first".into(), columns, rows, query: DAYS }
    }

    fn parts(&self, id: &str, days: &[&HotDay]) -> Picture {
        let rows = days
            .iter()
            .map(|day| {
                let date = span::day_of(day.day).map(|day| day.to_string()).unwrap_or_default();
                let label = format!("{} {date}", self.packs[day.pack].vehicle);
                let parts = [day.usual, day.weather, day.work, day.own, day.unexplained];
                (label, parts.into_iter().map(finite).collect())
            })
            .collect();
        let says = days.first().map_or(String::new(), |day| {
            format!(
                "{} reached {:.1} °C on {}: usual {:.1} °C, weather {} K, work {} K, this pack {} K, unexplained {} K.",
                self.packs[day.pack].vehicle,
                day.peak,
                span::day_of(day.day).map(|day| day.to_string()).unwrap_or_default(),
                day.usual,
                words::signed(day.weather),
                words::signed(day.work),
                words::signed(day.own),
                words::signed(day.unexplained)
            )
        });
        Picture {
            id: id.into(),
            title: "Hot days, in parts".into(),
            says,
            drawn: Drawn::Parts {
                axis: Axis { name: "peak temperature of the battery".into(), unit: "Cel".into(), days: false },
                parts: ["usual", "weather", "work", "this pack", "unexplained"].map(str::to_owned).to_vec(),
                rows,
            },
            table: self.hot_table("hot-days", days),
        }
    }

    // ---- the fit ---------------------------------------------------------------------------------------------------

    fn model_section(&self, model: &Model) -> Section {
        let columns = vec![
            column("of", "", "Which temperature, and by which ambient sensor."),
            column("cause", "", ""),
            column("slope", "", "K for one more of the cause."),
            column("±", "", "Standard error."),
            column("unit", "", ""),
            column("usual", "", "Its middle over all vehicle-days."),
        ];
        let mut rows = Vec::new();
        let mut text = vec![format!(
            "Peak battery temperature on ambient temperature, km off the wire and charge drawn, with an effect of each pack: a \
             robust fit over {}. A sound day scatters {:.1} K about it; sound packs differ by {:.1} K.",
            words::count(model.days as u64, "vehicle-day", "vehicle-days"),
            finite(model.scale),
            finite(model.spread)
        )];
        if !model.terms.iter().any(|term| term.cause.is_weather()) {
            text.push("No ambient temperature was known: weather is not taken off.".into());
        }
        let fits =
            [("peak", Some(model)), ("peak, own sensor", self.by_own_sensor.as_ref()), ("mean", self.of_mean.as_ref())];
        for (of, model) in fits.into_iter().filter_map(|(of, model)| Some((of, model?))) {
            for term in &model.terms {
                rows.push(vec![
                    Cell::Text(of.into()),
                    Cell::Text(term.cause.name().into()),
                    Cell::number(term.slope, 3),
                    Cell::number(term.error, 3),
                    Cell::Text(term.cause.unit().into()),
                    Cell::number(term.usual, 1),
                ]);
            }
        }
        if let Some(own) = &self.by_own_sensor {
            text.push(format!(
                "By the vehicles' own ambient sensors a sound day scatters {:.1} K instead, for sensors on the roof show sun \
                 and waste heat, too; the fleet's middle in the same three hours is used.",
                finite(own.scale)
            ));
        }
        let caption = "What was fitted".into();
        let table = Table { id: "fit".into(), caption, columns, rows, query: DAYS };
        Section {
            id: "fit".into(),
            heading: "How it is reckoned".into(),
            text,
            tables: vec![table],
            ..Section::default()
        }
    }

    // ---- sensors ---------------------------------------------------------------------------------------------------

    fn sensors_section(&self) -> Section {
        let mut order: Vec<&Bias> = self.sensors.iter().collect();
        order.sort_by(|a, b| b.bias.abs().total_cmp(&a.bias.abs()));
        let rungs: Vec<&Bias> = order.iter().take(RUNGS).copied().collect();
        Section {
            id: "sensors".into(),
            heading: "Ambient sensors".into(),
            text: vec![format!(
                "Each vehicle's ambient sensor against the middle of all vehicles in service in the same three hours, week by \
                 week. Off: by more than {OFF_K} K with a probability of {} or more. One that is further off in warm weeks, \
                 or on the road than parked in the morning, stands in the sun or in waste heat.",
                words::percent(sensors::SURE)
            )],
            pictures: vec![sensor_ladder("sensors-picture", &rungs, None)],
            tables: vec![sensor_table("sensors", &order)],
            ..Section::default()
        }
    }

    // ---- worklist and vehicles -------------------------------------------------------------------------------------

    /// Lines of the worklist: sick packs, and sensors that lie.
    pub fn work(&self) -> Vec<WorkLine> {
        let mut work: Vec<WorkLine> = self.sick().into_iter().filter_map(|pack| self.sick_line(pack)).collect();
        work.extend(self.lying().into_iter().map(|bias| self.sensor_line(bias)));
        work
    }

    fn sick_line(&self, number: usize) -> Option<WorkLine> {
        let pack = &self.packs[number];
        let lately = pack.lately?;
        let hot: Vec<&HotDay> = self.hot.iter().filter(|day| day.pack == number).collect();
        let blamed = hot.iter().filter(|day| day.but_for_pack).count();
        let sure = format!("{} sure that it adds more than {SICK_K:.0} K", words::percent(lately.sick));
        let mut reason = format!(
            "{} K (± {:.1}) hotter than weather and work explain over {}; {sure}",
            words::signed(lately.own),
            lately.error,
            words::count(lately.weeks as u64, "week", "weeks")
        );
        if !hot.is_empty() {
            reason += &format!(
                "; {} of {} would not have been hot without",
                blamed,
                words::count(hot.len() as u64, "hot day", "hot days")
            );
        }
        let evidence = self.weeks_picture(number);
        Some(WorkLine {
            vehicle: Some(pack.vehicle.clone()),
            subject: "off-wire battery, heat".into(),
            kind: WorkKind::Battery,
            reason: format!("{reason}."),
            sure: Sure { probability: Some(lately.sick), words: sure },
            weight: WEIGHT_SICK * lately.sick,
            evidence: Some(evidence),
            more: (SHEET.into(), "packs".into()),
            caution: CAUTION,
        })
    }

    fn sensor_line(&self, bias: &Bias) -> WorkLine {
        let sure = format!("{} sure that it is off by more than {OFF_K} K", words::percent(bias.off));
        WorkLine {
            vehicle: Some(bias.vehicle.clone()),
            subject: "ambient temperature sensor".into(),
            kind: WorkKind::Sensor,
            reason: format!("{}; {sure}.", bias_words(bias)),
            sure: Sure { probability: Some(bias.off), words: sure },
            weight: WEIGHT_SENSOR * bias.off,
            evidence: Some(course_picture(bias)),
            more: (SHEET.into(), "sensors".into()),
            caution: "The sensor sits on the roof, beside live equipment.",
        }
    }

    /// What is known of the heat of a vehicle's packs, and of its ambient sensor.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let own: Vec<usize> = (0..self.packs.len()).filter(|&pack| self.packs[pack].vehicle == vehicle).collect();
        let bias = self.sensors.iter().find(|bias| bias.vehicle == vehicle);
        let mut section = Section { id: "heat".into(), heading: "Battery temperature".into(), ..Section::default() };
        if self.model.is_some() {
            for &number in &own {
                let pack = &self.packs[number];
                let Some(lately) = pack.lately else { continue };
                section.text.push(format!(
                    "Pack {}: {} K (± {:.1}) beside what weather and work explain, over the last {}; {} to be sick.",
                    pack.name,
                    words::signed(lately.own),
                    lately.error,
                    words::count(lately.weeks as u64, "week", "weeks"),
                    words::percent(lately.sick)
                ));
                section.pictures.push(self.weeks_picture(number));
            }
            let mut hot: Vec<&HotDay> = self.hot.iter().filter(|day| own.contains(&day.pack)).collect();
            hot.sort_by(|a, b| b.peak.total_cmp(&a.peak).then(b.day.total_cmp(&a.day)));
            if hot.is_empty() {
                section.text.push("No hot day.".into());
            } else {
                let bars: Vec<&HotDay> = hot.iter().take(BARS).copied().collect();
                section.pictures.push(self.parts("hot-days-picture", &bars));
                hot.truncate(SHOWN_MOST);
                section.tables.push(self.hot_table("hot-days", &hot));
            }
        }
        if let Some(bias) = bias {
            section.text.push(format!("Ambient sensor: {}.", bias_words(bias)));
            section.pictures.push(course_picture(bias));
        }
        if section.text.is_empty() { Vec::new() } else { vec![section] }
    }

    fn weeks_picture(&self, number: usize) -> Picture {
        let pack = &self.packs[number];
        let points: Vec<(f64, f64)> = pack.weeks.iter().map(|week| (week.from, finite(week.own))).collect();
        // Where the middle half of the packs lay in each week.
        let mut fleet: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for week in self.packs.iter().flat_map(|pack| &pack.weeks) {
            fleet.entry(week.from as i64).or_default().push(week.own);
        }
        let mut band =
            Trace { name: "nine in ten packs".into(), mark: Mark::Band, points: Vec::new(), upper: Vec::new() };
        for (week, mut own) in fleet {
            own.sort_by(f64::total_cmp);
            let at = |share: f64| own[((own.len() - 1) as f64 * share).round() as usize];
            band.points.push((week as f64, finite(at(0.05))));
            band.upper.push(finite(at(0.95)));
        }
        let columns = vec![
            column("week from", "", ""),
            column("adds", "K", "Beside what weather and work explain; the middle of its days."),
            column("days", "", "Days in the week."),
        ];
        let rows = pack
            .weeks
            .iter()
            .map(|week| {
                vec![
                    span::day_of(week.from).map_or(Cell::Missing(""), Cell::Day),
                    Cell::number(week.own, 1),
                    Cell::Count(week.days as u64),
                ]
            })
            .collect();
        let says = pack.lately.map_or("It has not run lately.".into(), |lately| {
            format!("Lately {} K (± {:.1}).", words::signed(lately.own), lately.error)
        });
        Picture {
            id: format!("pack-weeks-{number}"),
            title: format!("What pack {} adds to its temperature, by week", pack.name),
            says,
            drawn: Drawn::Plot {
                x: Axis { name: "week".into(), unit: String::new(), days: true },
                y: Axis { name: "beside what weather and work explain".into(), unit: "K".into(), days: false },
                traces: vec![band, Trace { name: pack.name.clone(), mark: Mark::Line, points, upper: Vec::new() }],
                levels: vec![Level { at: SICK_K, name: "sick".into() }],
            },
            table: Table {
                id: format!("pack-weeks-{number}"),
                caption: format!("Pack {} by week", pack.name),
                columns,
                rows,
                query: DAYS,
            },
        }
    }
}

fn bias_words(bias: &Bias) -> String {
    let mut said = match bias.bias {
        off if off.abs() < 0.05 => "agrees with the fleet".to_owned(),
        off if off < 0.0 => format!("shows {:.1} K (± {:.1}) too cold against the fleet", -off, bias.error),
        off => format!("shows {off:.1} K (± {:.1}) too warm against the fleet", bias.error),
    };
    said += &format!(", over {}", words::count(bias.weeks as u64, "week", "weeks"));
    if let Some(since) = bias.since.and_then(span::day_of) {
        said += &format!(", since about {since}");
    }
    if let Some((warm, cold)) = bias.warm_cold.filter(|(warm, cold)| (warm - cold).abs() >= 1.0) {
        said += &format!("; {} K in warm weeks, {} K in cold ones", words::signed(warm), words::signed(cold));
    }
    if let Some(parked) = bias.parked {
        said += &format!("; parked in the morning {} K (± {:.1})", words::signed(parked.above), parked.error);
    }
    said
}

fn sensor_table(id: &str, order: &[&Bias]) -> Table {
    let columns = vec![
        column("vehicle", "", ""),
        column("shows", "K", "Above what is there; drawn towards none by its uncertainty."),
        column("±", "K", "Standard error."),
        column("off", "", "Probability that it is off by more than 1.5 K."),
        column("weeks", "", "Weeks that it rests on."),
        column("since", "", "When it began suddenly."),
        column("in warm weeks", "K", ""),
        column("in cold weeks", "K", ""),
        column("parked", "K", "In the first ten minutes of the day, against the vehicles of its yard."),
        column("± parked", "K", "Standard error."),
    ];
    let rows = order
        .iter()
        .map(|bias| {
            vec![
                Cell::Vehicle(bias.vehicle.clone()),
                Cell::number(bias.bias, 1),
                Cell::number(bias.error, 2),
                Cell::share(bias.off),
                Cell::Count(bias.weeks as u64),
                bias.since.and_then(span::day_of).map_or(Cell::Missing("no step"), Cell::Day),
                Cell::maybe(bias.warm_cold.map(|both| both.0), 1, "too few"),
                Cell::maybe(bias.warm_cold.map(|both| both.1), 1, "too few"),
                Cell::maybe(bias.parked.map(|parked| parked.above), 1, "no signals"),
                Cell::maybe(bias.parked.map(|parked| parked.error), 2, ""),
            ]
        })
        .collect();
    let caption = "Ambient sensors, those furthest off first".into();
    Table { id: id.into(), caption, columns, rows, query: Some("ambient-weeks") }
}

fn sensor_ladder(id: &str, order: &[&Bias], strong: Option<&str>) -> Picture {
    let rows: Vec<Rung> = order
        .iter()
        .map(|bias| Rung {
            label: bias.vehicle.clone(),
            vehicle: Some(bias.vehicle.clone()),
            low: finite(bias.bias - 1.645 * bias.error),
            mid: finite(bias.bias),
            high: finite(bias.bias + 1.645 * bias.error),
            strong: strong.map_or(bias.off >= sensors::SURE, |strong| strong == bias.vehicle),
        })
        .collect();
    let says = order.first().map_or(String::new(), |bias| format!("{}: {}.", bias.vehicle, bias_words(bias)));
    Picture {
        id: id.into(),
        title: "How far each ambient sensor is off, with 90 % interval".into(),
        says,
        drawn: Drawn::Ladder {
            axis: Axis { name: "above the fleet".into(), unit: "K".into(), days: false },
            rows,
            level: Some(Level { at: 0.0, name: "fleet".into() }),
        },
        table: sensor_table("sensors", order),
    }
}

fn course_picture(bias: &Bias) -> Picture {
    let points: Vec<(f64, f64)> = bias.course.iter().map(|week| (week.0, finite(week.1))).collect();
    let columns = vec![column("week from", "", ""), column("above the fleet", "K", "Middle of its runs.")];
    let rows = points
        .iter()
        .map(|(from, above)| vec![span::day_of(*from).map_or(Cell::Missing(""), Cell::Day), Cell::number(*above, 1)])
        .collect();
    Picture {
        id: format!("sensor-{}", bias.vehicle),
        title: format!("Ambient sensor of {} against the fleet, by week", bias.vehicle),
        says: format!("It {}.", bias_words(bias)),
        drawn: Drawn::Plot {
            x: Axis { name: "week".into(), unit: String::new(), days: true },
            y: Axis { name: "above the fleet".into(), unit: "K".into(), days: false },
            traces: vec![Trace { name: bias.vehicle.clone(), mark: Mark::Line, points, upper: Vec::new() }],
            levels: vec![Level { at: 0.0, name: "fleet".into() }],
        },
        table: Table {
            id: format!("sensor-{}", bias.vehicle),
            caption: format!("Ambient sensor of {} by week", bias.vehicle),
            columns,
            rows,
            query: Some("ambient-weeks"),
        },
    }
}
