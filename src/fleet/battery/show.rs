//! The battery study, for people.

use jiff::civil::Date;

use super::{Exposure, Factor, Pack, Packs, Standing, Study, Trend, Verdict};
use crate::fleet::sheet::{
    Axis, Cell, Drawn, Level, Mark, Picture, Rung, Section, Sheet, Sure, Table, Trace, WorkKind, WorkLine,
};
use crate::fleet::stats::exact;
use crate::fleet::{shown::column, span, words};

/// Rungs of a ladder of the whole fleet.
const RUNGS: usize = 20;
/// Neighbours shown above and below a pack.
const NEIGHBOURS: usize = 4;
/// A pack comes to the worklist if it is at least so likely to be among the worst.
const LIKELY: f64 = 0.5;
const SHEET: &str = "battery-plan";
const MONTHS: Option<&str> = Some("battery-months");
const CAUTION: &str = "A battery pack is live whatever is switched off, and a weak one may be damaged inside: follow the agency's isolation \
                       procedure and the pack maker's instructions.";

impl Study {
    /// The page `battery-plan`.
    pub fn sheet(&self) -> Sheet {
        let mut sheet = Sheet {
            id: SHEET.into(),
            title: "Off-wire batteries: ranking and replacement plan".into(),
            lead: self.lead(),
            sections: Vec::new(),
            queries: self.queries.clone(),
        };
        if let Some(packs) = &self.packs {
            sheet.sections.push(self.ranking_section(packs));
            sheet.sections.extend(self.plan_section(packs));
            sheet.sections.push(self.heat_section(packs));
            sheet.sections.push(self.charge_section(packs));
            sheet.sections.push(self.method_section(packs));
        }
        sheet
    }

    fn lead(&self) -> Vec<String> {
        let mut lead = Vec::new();
        if let Some(packs) = &self.packs {
            lead.extend(self.first_sentence(packs));
            lead.extend(self.plan_sentence());
        }
        lead.extend(self.notes.iter().cloned());
        lead
    }

    fn first_sentence(&self, packs: &Packs) -> Option<String> {
        let timeouts: u64 = self.ranking.packs.iter().map(|own| own.timeouts).sum();
        let exposure: f64 = self.ranking.packs.iter().map(|own| own.exposure).sum();
        let span = format!("{} to {}", self.ranked_from(packs), self.terms.today);
        if self.notes.iter().any(|note| note.contains("packs cannot be ranked")) {
            return None;
        }
        if timeouts == 0 {
            let of = packs.exposure.of(exposure);
            return Some(format!(
                "No battery timed out from {span}, in {of}: there is nothing to rank, and nothing to plan."
            ));
        }
        if !self.ranking.compared {
            return Some(format!(
                "{} from {span}, but only one pack has run: there is nothing to compare it with.",
                words::count(timeouts, "timeout", "timeouts")
            ));
        }
        let sure: Vec<String> = self
            .order
            .iter()
            .filter(|&&pack| self.ranking.packs[pack].among_worst >= LIKELY)
            .map(|&pack| format!("{} in {}", packs.packs[pack].name, packs.packs[pack].vehicle))
            .collect();
        let fleet = self.rate_words(packs, self.ranking.fleet_rate);
        let all = format!(
            "{} in {} from {span}: {fleet}",
            words::count(timeouts, "timeout", "timeouts"),
            packs.exposure.of(exposure)
        );
        Some(if sure.is_empty() {
            format!("{all}. No pack stands out.")
        } else {
            format!("{all}. Most likely among the worst {}: {}.", self.terms.worst, sure.join(", "))
        })
    }

    fn rate_words(&self, packs: &Packs, rate: f64) -> String {
        let (per, what) = packs.exposure.per();
        format!("{} a {what}", words::short(rate * per)).replace("a 100 ", "in 100 ")
    }

    fn ranked_from(&self, packs: &Packs) -> Date {
        packs.months.get(self.since).map_or(self.terms.from, |month| (*month).max(self.terms.from))
    }

    fn plan_sentence(&self) -> Option<String> {
        let plans = self.plan.as_ref()?;
        let own = plans.own()?;
        let none = plans.plans.iter().find(|(packs, _)| *packs == 0)?;
        if own.years.is_empty() || none.1.left() <= 0.0 {
            return None;
        }
        Some(format!(
            "At {} a year, {:.0} timeouts are left over {} instead of {:.0} without new packs.",
            words::count(plans.packs_a_year as u64, "pack", "packs"),
            own.left(),
            words::count(own.years.len() as u64, "year", "years"),
            none.1.left()
        ))
    }

    // ---- ranking ---------------------------------------------------------------------------------------------------

    fn ranking_section(&self, packs: &Packs) -> Section {
        let mut section = Section { id: "ranking".into(), heading: "Which packs give up".into(), ..Section::default() };
        if self.ranking.compared {
            let rungs = self.order.iter().take(RUNGS).copied().collect::<Vec<_>>();
            section.pictures.push(self.ladder(packs, "ranking-picture", &rungs, None));
            section.text.push(format!(
                "Each pack's timeouts are set against how often it had to work, not against the calendar. A pack of which \
                 little is known is drawn towards the fleet. The bar is where its rate lies with 90 % probability; worst {} \
                 is the share of 10,000 draws in which it was one of the {} highest of {} in service.",
                self.terms.worst,
                self.terms.worst,
                self.order.len()
            ));
        }
        section.tables.push(self.ranking_table(packs, "ranking", &self.order));
        let gone: Vec<usize> = (0..packs.packs.len()).filter(|pack| !packs.packs[*pack].in_service).collect();
        if !gone.is_empty() {
            section.text.push(format!(
                "{} no longer in service (removed, or the vehicle silent for two months) still {} what packs of this fleet are \
                 like.",
                words::count(gone.len() as u64, "pack", "packs"),
                if gone.len() == 1 { "tells" } else { "tell" }
            ));
            section.tables.push(self.ranking_table(packs, "removed", &gone));
        }
        section
    }

    fn ranking_table(&self, packs: &Packs, id: &str, order: &[usize]) -> Table {
        let (heading, unit, decimals) = packs.exposure.heading();
        let (per, per_what) = packs.exposure.per();
        let columns = vec![
            column("pack", "", "Its number in packs.csv."),
            column("vehicle", "", "Where it is."),
            column("fitted", "", "Since when it has been in use."),
            column("timeouts", "", "Times it gave up before the off-wire stretch was over."),
            column(heading, unit, "How often, or how far, it had to work."),
            column("expected", "", "Timeouts to be expected at the fleet's rate, in the months it worked."),
            column(&format!("rate in {per_what}"), "", "Drawn towards the fleet's."),
            column("90 %", "", "Interval of the rate."),
            column("times fleet", "", "Its rate over the fleet's."),
            column("among worst", "", "Probability that it is one of the worst in service."),
            column("trend a year", "", "What its rate is multiplied by in a year, against the fleet."),
            column("trend", "", "Rising or falling, where no more than one in ten so called is by chance."),
            column("heat", "K", "What it adds to its temperature of its own, lately."),
        ];
        let rows = order
            .iter()
            .map(|&number| {
                let (pack, own) = (&packs.packs[number], &self.ranking.packs[number]);
                let compared = self.ranking.compared;
                let (a_year, trend) = trend_cells(&own.trend);
                vec![
                    Cell::Text(pack.name.clone()),
                    Cell::Vehicle(pack.vehicle.clone()),
                    pack.fitted.map_or(Cell::Missing("no record"), Cell::Day),
                    Cell::Count(own.timeouts),
                    Cell::number(own.exposure, decimals),
                    Cell::number(own.expected, 1),
                    Cell::number(own.rate * per, 2),
                    Cell::interval(own.low * per, own.high * per, 2),
                    self.times_fleet(own).map_or(Cell::Missing(""), |times| Cell::number(times, 1)),
                    if compared && pack.in_service { Cell::share(own.among_worst) } else { Cell::Missing("") },
                    a_year,
                    trend,
                    self.heat_of(number).map_or(Cell::Missing("not known"), |heat| Cell::number(heat.0, 1)),
                ]
            })
            .collect();
        let caption = if id == "ranking" { "Packs in service, the worst first" } else { "Packs no longer in service" };
        Table { id: id.into(), caption: caption.into(), columns, rows, query: MONTHS }
    }

    fn times_fleet(&self, own: &Standing) -> Option<f64> {
        (self.ranking.fleet_rate > 0.0).then(|| own.rate / self.ranking.fleet_rate)
    }

    fn heat_of(&self, pack: usize) -> Option<(f64, f64)> {
        self.heat.get(pack).copied().flatten()
    }

    fn ladder(&self, packs: &Packs, id: &str, rungs: &[usize], strong: Option<usize>) -> Picture {
        let (per, what) = packs.exposure.per();
        let rows: Vec<Rung> = rungs
            .iter()
            .map(|&number| {
                let (pack, own) = (&packs.packs[number], &self.ranking.packs[number]);
                Rung {
                    label: format!("{} in {}", pack.name, pack.vehicle),
                    vehicle: Some(pack.vehicle.clone()),
                    low: finite(own.low * per),
                    mid: finite(own.rate * per),
                    high: finite(own.high * per),
                    strong: strong.map_or(own.among_worst >= LIKELY, |strong| strong == number),
                }
            })
            .collect();
        let fleet = self.ranking.fleet_rate * per;
        let says = match (rows.first(), strong.and_then(|strong| rungs.iter().position(|&own| own == strong))) {
            (_, Some(at)) => format!("{} against its neighbours in the ranking; fleet {fleet:.2}.", rows[at].label),
            (Some(first), None) => format!(
                "The highest is {}: {:.2} ({:.2} to {:.2}), against {fleet:.2} of the fleet.",
                first.label, first.mid, first.low, first.high
            ),
            (None, None) => "Nothing to show.".into(),
        };
        Picture {
            id: id.into(),
            title: "Timeouts of each pack, with 90 % interval".into(),
            says,
            table: self.ranking_table(packs, "ranking", rungs),
            drawn: Drawn::Ladder {
                axis: Axis { name: format!("timeouts in {what}").replace("in month", "a month"), ..Axis::default() },
                rows,
                level: Some(Level { at: finite(fleet), name: "fleet".into() }),
            },
        }
    }

    // ---- the plan --------------------------------------------------------------------------------------------------

    fn plan_section(&self, packs: &Packs) -> Option<Section> {
        let (plans, found) = (self.plan.as_ref()?, self.ageing.as_ref()?);
        let own = plans.own()?;
        let mut section = Section { id: "plan".into(), heading: "Replacement plan".into(), ..Section::default() };
        let horizon = words::count(own.years.len() as u64, "year", "years");
        section.text.push(format!(
            "Each year those packs are replaced whose new pack then avoids most timeouts up to the end of the {horizon}: a \
             pack's rate, times what its vehicle did off the wire in the last twelve months."
        ));
        section.text.push(ageing_words(found));
        section.text.push(new_pack_words(found, packs.exposure));
        let wanted = plans.packs_a_year * own.years.len();
        if own.packs() < wanted {
            section.text.push(format!(
                "Only {} of {wanted} packs are worth it: the others' vehicles have packs as good as new ones.",
                own.packs()
            ));
        }
        section.tables.push(self.plan_table(packs));
        section.tables.push(self.budgets_table());
        section.text.extend(self.one_more_or_fewer());
        section.pictures.push(self.plan_picture());
        Some(section)
    }

    fn plan_table(&self, packs: &Packs) -> Table {
        let columns = vec![
            column("year", "", "Packs are replaced at its beginning."),
            column("pack", "", "Which pack goes."),
            column("vehicle", "", "Out of which vehicle."),
            column("times fleet", "", "Its rate of timeouts over the fleet's."),
            column("avoided in the year", "", "Timeouts, in its first year."),
            column("avoided to the end", "", "Timeouts, to the end of the plan."),
        ];
        let mut rows = Vec::new();
        let plans = self.plan.iter().filter_map(|plans| Some((plans, plans.own()?)));
        for (plans, own) in plans {
            for (year, planned) in own.years.iter().enumerate() {
                for replacement in &planned.replaced {
                    let number = plans.seats[replacement.seat];
                    let pack = &packs.packs[number];
                    rows.push(vec![
                        Cell::Text(self.plan_year(year)),
                        Cell::Text(pack.name.clone()),
                        Cell::Vehicle(pack.vehicle.clone()),
                        self.times_fleet(&self.ranking.packs[number]).map_or(Cell::Missing(""), |t| Cell::number(t, 1)),
                        Cell::number(replacement.avoided_first, 1),
                        Cell::number(replacement.avoided, 1),
                    ]);
                }
            }
        }
        Table { id: "plan".into(), caption: "Which packs in which year".into(), columns, rows, query: MONTHS }
    }

    fn budgets_table(&self) -> Table {
        let columns = vec![
            column("year", "", "Packs are replaced at its beginning."),
            column("packs a year", "", "The budget."),
            column("replaced", "", "Packs worth replacing within it."),
            column("timeouts left", "", "Expected in the year."),
            column("90 %", "", "Interval in which their number will be."),
        ];
        let mut rows = Vec::new();
        if let Some(plans) = &self.plan {
            for (packs, plan) in &plans.plans {
                for (year, planned) in plan.years.iter().enumerate() {
                    rows.push(vec![
                        Cell::Text(self.plan_year(year)),
                        Cell::Count(*packs as u64),
                        Cell::Count(planned.replaced.len() as u64),
                        Cell::number(planned.left, 0),
                        Cell::interval(planned.low, planned.high, 0),
                    ]);
                }
            }
        }
        let caption = "Timeouts left each year, by budget".into();
        Table { id: "budgets".into(), caption, columns, rows, query: MONTHS }
    }

    fn one_more_or_fewer(&self) -> Option<String> {
        let plans = self.plan.as_ref()?;
        let own = plans.own()?;
        let at = |packs: usize| plans.plans.iter().find(|(own, _)| *own == packs).map(|(_, plan)| plan.left());
        let mut words = Vec::new();
        if let Some(more) = at(plans.packs_a_year + 1) {
            words
                .push(format!("One pack more a year would avoid {:.1} further timeouts", (own.left() - more).max(0.0)));
        }
        if let Some(fewer) = plans.packs_a_year.checked_sub(1).and_then(at) {
            words.push(format!("one fewer would cost {:.1}", (fewer - own.left()).max(0.0)));
        }
        let years = words::count(own.years.len() as u64, "year", "years");
        (!words.is_empty()).then(|| format!("{}, over {years}.", words.join("; ")))
    }

    fn plan_picture(&self) -> Picture {
        let mut traces = Vec::new();
        let mut says = String::new();
        if let Some(plans) = &self.plan {
            for (packs, plan) in &plans.plans {
                let at = |of: fn(&crate::fleet::plan::Year) -> f64| -> Vec<(f64, f64)> {
                    plan.years.iter().enumerate().map(|(n, year)| ((n + 1) as f64, finite(of(year)))).collect()
                };
                let is_own = *packs == plans.packs_a_year;
                if is_own {
                    says = plan
                        .years
                        .iter()
                        .enumerate()
                        .map(|(n, year)| {
                            format!("year {}: {:.0} ({:.0} to {:.0})", n + 1, year.left, year.low, year.high)
                        })
                        .collect::<Vec<_>>()
                        .join("; ");
                    traces.push(Trace {
                        name: "90 %".into(),
                        mark: Mark::Band,
                        points: at(|year| year.low),
                        upper: at(|year| year.high).into_iter().map(|point| point.1).collect(),
                    });
                }
                traces.push(Trace {
                    name: format!("{packs} a year"),
                    mark: if is_own { Mark::Line } else { Mark::Expected },
                    points: at(|year| year.left),
                    upper: Vec::new(),
                });
            }
        }
        Picture {
            id: "plan-picture".into(),
            title: "Timeouts left each year, by packs a year".into(),
            says: format!("At the budget, {says}."),
            drawn: Drawn::Plot {
                x: Axis { name: "year of the plan".into(), ..Axis::default() },
                y: Axis { name: "timeouts in the year".into(), ..Axis::default() },
                traces,
                levels: Vec::new(),
            },
            table: self.budgets_table(),
        }
    }

    // ---- heat and charge -------------------------------------------------------------------------------------------

    fn heat_section(&self, packs: &Packs) -> Section {
        let text = vec![
            "Whether a pack is hot is another matter than whether it gives up; the sheet on heat tells hot packs apart."
                .to_owned(),
            self.heat_words(),
        ];
        let columns = vec![
            column("pack", "", "Its number in packs.csv."),
            column("vehicle", "", "Where it is."),
            column("heat", "K", "What it adds to its temperature of its own, lately."),
            column("standard error", "K", "Of the heat."),
            column("times fleet", "", "Its rate of timeouts over the fleet's."),
        ];
        let known = self.order.iter().filter_map(|&number| Some((number, self.heat_of(number)?)));
        let rows: Vec<Vec<Cell>> = known
            .clone()
            .map(|(number, heat)| {
                vec![
                    Cell::Text(packs.packs[number].name.clone()),
                    Cell::Vehicle(packs.packs[number].vehicle.clone()),
                    Cell::number(heat.0, 1),
                    Cell::number(heat.1, 1),
                    self.times_fleet(&self.ranking.packs[number]).map_or(Cell::Missing(""), |t| Cell::number(t, 1)),
                ]
            })
            .collect();
        let caption = "Heat and timeouts of each pack".into();
        let table = Table { id: "heat-timeouts".into(), caption, columns, rows, query: Some("heat-days") };
        let points: Vec<(f64, f64)> = known
            .filter_map(|(number, heat)| Some((heat.0, self.times_fleet(&self.ranking.packs[number])?)))
            .filter(|point| point.0.is_finite() && point.1.is_finite())
            .collect();
        let mut section = Section {
            id: "heat-timeouts".into(),
            heading: "Does heat go with timeouts?".into(),
            text,
            ..Section::default()
        };
        if self.with_heat.is_some() && !points.is_empty() {
            section.pictures.push(Picture {
                id: "heat-timeouts-picture".into(),
                title: "Timeouts over heat, one dot a pack".into(),
                says: self.heat_words(),
                drawn: Drawn::Plot {
                    x: Axis { name: "what the pack adds to its temperature".into(), unit: "K".into(), days: false },
                    y: Axis { name: "timeouts, times the fleet's rate".into(), ..Axis::default() },
                    traces: vec![Trace { name: "packs".into(), mark: Mark::Dots, points, upper: Vec::new() }],
                    levels: vec![Level { at: 1.0, name: "fleet".into() }],
                },
                table: table.clone(),
            });
            section.tables.push(table);
        }
        section
    }

    /// What this fleet shows of heat and timeouts, in a sentence.
    pub fn heat_words(&self) -> String {
        let Some(found) = &self.with_heat else {
            return "Whether heat goes with timeouts cannot be told here: that takes some eight packs with timeouts among them \
                    and their temperatures."
                .into();
        };
        let rho = format!(
            "rank correlation {} over {} packs, 90 % {} to {}",
            two(found.rho.value),
            found.packs,
            two(found.rho.low),
            two(found.rho.high)
        );
        let each = found.a_kelvin.map_or(String::new(), |each| {
            format!("; for each K of its own a pack's timeouts are multiplied by {}", interval(&each))
        });
        let verdict = match found.verdict {
            Verdict::Goes => "In this fleet hotter packs give up more often",
            Verdict::Against => "In this fleet hotter packs give up less often",
            Verdict::NoSign => "In this fleet there is no sign that heat goes with timeouts",
            Verdict::CannotTell => "This fleet cannot tell whether heat goes with timeouts",
        };
        format!("{verdict} ({rho}{each}).")
    }

    fn charge_section(&self, packs: &Packs) -> Section {
        let columns = vec![
            column("pack", "", "Its number in packs.csv."),
            column("vehicle", "", "Where it is."),
            column("usable charge", "A.h", "Drawn for 100 % of the battery manager's state of charge."),
            column("± charge", "A.h", "Standard error."),
            column("stretches", "", "Off-wire stretches that it rests on."),
            column("resistance", "mOhm", "Fall of voltage for each ampere at sudden steps of the load."),
            column("± resistance", "mOhm", "Standard error."),
            column("steps", "", "Load steps that it rests on."),
            column("at", "Cel", "Battery temperature then; resistance rises in the cold."),
        ];
        let measured = self.order.iter().filter_map(|&n| Some((n, self.charges.packs.get(n)?.as_ref()?)));
        let rows: Vec<Vec<Cell>> = measured
            .map(|(number, own)| {
                vec![
                    Cell::Text(packs.packs[number].name.clone()),
                    Cell::Vehicle(packs.packs[number].vehicle.clone()),
                    Cell::maybe(own.usable.map(|usable| usable.0), 1, "too few stretches"),
                    Cell::maybe(own.usable.map(|usable| usable.1), 1, ""),
                    Cell::Count(own.stretches as u64),
                    Cell::maybe(own.resistance.map(|ohm| ohm.0), 1, "too few steps"),
                    Cell::maybe(own.resistance.map(|ohm| ohm.1), 2, ""),
                    Cell::Count(own.steps),
                    Cell::maybe(own.temperature, 0, ""),
                ]
            })
            .collect();
        let mut section = Section {
            id: "charge".into(),
            heading: "Usable charge and internal resistance".into(),
            text: self.charges.notes.clone(),
            ..Section::default()
        };
        if !rows.is_empty() {
            let caption = "From the battery's own signals".into();
            section.tables.push(Table {
                id: "charge".into(),
                caption,
                columns,
                rows,
                query: Some("battery-stretches"),
            });
        }
        section
    }

    fn method_section(&self, packs: &Packs) -> Section {
        let mut text = vec![
            "Rates: gamma-Poisson empirical Bayes by marginal likelihood (D.P. Gaver and I.G. O'Muircheartaigh, Technometrics \
             29 (1987) 1-15). A pack that was replaced starts anew. Months count by how hard they were on the whole fleet, so \
             that a pack fitted in spring is not the better for having seen no winter."
                .to_owned(),
            "Trend: given a pack's timeouts, in which of its months they fell, against the fleet's months; the share of \
             false findings among all packs is held at one in ten (Benjamini and Hochberg 1995)."
                .to_owned(),
        ];
        if self.ranking.clustering > 1.0 {
            text.push(format!(
                "Timeouts come in clusters, and months differ from pack to pack: within a usual pack they vary {} times as much \
                 as single chances would. Intervals and trends allow for it, by each pack's own months: they are evidence of \
                 as much less.",
                words::short(self.ranking.clustering)
            ));
        }
        if self.since > 0 {
            text.push(format!("Rates count from {} on; trends over all months.", self.ranked_from(packs)));
        }
        Section { id: "method".into(), heading: "How it is reckoned".into(), text, ..Section::default() }
    }

    // ---- worklist and vehicles -------------------------------------------------------------------------------------

    /// Lines of the worklist: packs that are likely among the worst, and worse than the fleet beyond doubt; and packs that
    /// get worse.
    pub fn work(&self) -> Vec<WorkLine> {
        let Some(packs) = self.packs.as_ref().filter(|_| self.ranking.compared) else { return Vec::new() };
        self.order
            .iter()
            .enumerate()
            .filter(|&(_, &number)| {
                let own = &self.ranking.packs[number];
                (own.among_worst >= LIKELY && own.low > self.ranking.fleet_rate) || own.trend.rises()
            })
            .map(|(place, &number)| self.work_line(packs, place, number))
            .collect()
    }

    fn work_line(&self, packs: &Packs, place: usize, number: usize) -> WorkLine {
        let (pack, own) = (&packs.packs[number], &self.ranking.packs[number]);
        let sure = format!("{} sure to be among the worst {}", words::percent(own.among_worst), self.terms.worst);
        let from = place.saturating_sub(NEIGHBOURS);
        let rungs: Vec<usize> = self.order.iter().skip(from).take(2 * NEIGHBOURS + 1).copied().collect();
        let exposure = packs.a_year.get(&pack.vehicle).copied().unwrap_or(0.0);
        let weight = own.now * exposure / 12.0;
        WorkLine {
            vehicle: Some(pack.vehicle.clone()),
            subject: "off-wire battery".into(),
            kind: WorkKind::Battery,
            reason: format!("{}.", self.reason(packs, number, &sure)),
            sure: Sure { probability: Some(own.among_worst), words: sure },
            weight: finite(weight),
            evidence: Some(self.ladder(packs, &format!("pack-{number}"), &rungs, Some(number))),
            more: (SHEET.into(), "ranking".into()),
            caution: CAUTION,
        }
    }

    fn reason(&self, packs: &Packs, number: usize, sure: &str) -> String {
        let own = &self.ranking.packs[number];
        let mut parts = vec![format!(
            "{} in {}",
            words::count(own.timeouts, "timeout", "timeouts"),
            packs.exposure.of(own.exposure)
        )];
        if let Some(times) = self.times_fleet(own) {
            parts[0] += &format!(", {} times the fleet's rate", words::short(times));
        }
        parts.push(sure.to_owned());
        parts.extend(trend_words(&own.trend));
        parts.extend(self.heat_of(number).map(hot_words));
        if let Some(usable) = self.charges.packs.get(number).and_then(|own| own.as_ref()?.usable) {
            parts.push(format!("usable charge {:.0} A·h (± {:.1})", usable.0, usable.1));
        }
        parts.join("; ")
    }

    /// What is known of a vehicle's packs.
    pub fn of_vehicle(&self, vehicle: &str) -> Vec<Section> {
        let Some(packs) = &self.packs else { return Vec::new() };
        let own: Vec<usize> = (0..packs.packs.len()).filter(|&number| packs.packs[number].vehicle == vehicle).collect();
        if own.is_empty() {
            return Vec::new();
        }
        let mut section = Section { id: "battery".into(), heading: "Off-wire battery".into(), ..Section::default() };
        for &number in &own {
            let pack = &packs.packs[number];
            if pack.in_service {
                section.text.push(self.pack_words(packs, number, pack));
                section.pictures.extend(self.months_picture(packs, number));
            }
        }
        section.text.extend(self.planned_words(packs, &own));
        section
            .tables
            .push(Table { caption: "Packs of this vehicle".into(), ..self.ranking_table(packs, "packs", &own) });
        vec![section]
    }

    fn pack_words(&self, packs: &Packs, number: usize, pack: &Pack) -> String {
        let own = &self.ranking.packs[number];
        let sure = if !self.ranking.compared {
            "not compared with others".to_owned()
        } else {
            format!("{} to be among the worst {}", words::percent(own.among_worst), self.terms.worst)
        };
        let since = pack.fitted.map_or(String::new(), |fitted| format!(", fitted {fitted}"));
        format!("Pack {}{since}: {}.", pack.name, self.reason(packs, number, &sure))
    }

    fn planned_words(&self, packs: &Packs, own: &[usize]) -> Option<String> {
        let plans = self.plan.as_ref()?;
        let plan = plans.own()?;
        plan.years.iter().enumerate().find_map(|(year, planned)| {
            let replacement =
                planned.replaced.iter().find(|replacement| own.contains(&plans.seats[replacement.seat]))?;
            Some(format!(
                "By the plan, pack {} is replaced in year {}, {}: it avoids {:.1} timeouts in that year.",
                packs.packs[plans.seats[replacement.seat]].name,
                year + 1,
                self.plan_year(year),
                replacement.avoided_first
            ))
        })
    }

    /// A pack's rate by month with its exact interval, over the fleet's.
    fn months_picture(&self, packs: &Packs, number: usize) -> Option<Picture> {
        let (per, what) = packs.exposure.per();
        let mut fleet = vec![(0_u64, 0.0); packs.months.len()];
        for cell in &packs.cells {
            fleet[cell.month].0 += cell.timeouts;
            fleet[cell.month].1 += cell.exposure;
        }
        let at = |month: usize| span::number_of(packs.months[month]);
        let mut band = Trace { name: "fleet, 90 %".into(), mark: Mark::Band, points: Vec::new(), upper: Vec::new() };
        for (month, (timeouts, exposure)) in fleet.iter().enumerate().filter(|(_, own)| own.1 > 0.0) {
            let (low, high) = exact::poisson_limits(*timeouts, 0.90);
            band.points.push((at(month), finite(low / exposure * per)));
            band.upper.push(finite(high / exposure * per));
        }
        let own: Vec<_> =
            packs.cells.iter().filter(|cell| cell.pack == number && cell.exposure > 0.0).copied().collect();
        if own.is_empty() {
            return None;
        }
        let rate = |timeouts: f64, exposure: f64| finite(timeouts / exposure * per);
        let dots = own.iter().map(|cell| (at(cell.month), rate(cell.timeouts as f64, cell.exposure))).collect();
        let (heading, unit, decimals) = packs.exposure.heading();
        let columns = vec![
            column("month", "", ""),
            column("timeouts", "", ""),
            column(heading, unit, ""),
            column(&format!("rate in {what}"), "", ""),
            column("90 %", "", "Exact limits of the month's rate (Garwood)."),
            column("fleet", "", "The fleet's rate in the month."),
        ];
        let rows = own
            .iter()
            .map(|cell| {
                let (low, high) = exact::poisson_limits(cell.timeouts, 0.90);
                let all = fleet[cell.month];
                vec![
                    Cell::Day(packs.months[cell.month]),
                    Cell::Count(cell.timeouts),
                    Cell::number(cell.exposure, decimals),
                    Cell::number(rate(cell.timeouts as f64, cell.exposure), 2),
                    Cell::interval(low / cell.exposure * per, high / cell.exposure * per, 2),
                    Cell::number(rate(all.0 as f64, all.1), 2),
                ]
            })
            .collect();
        let name = &packs.packs[number].name;
        let says = match &self.ranking.packs[number].trend {
            Trend::TooFew => "Too few timeouts or months for a trend.".to_owned(),
            trend => trend_words(trend).map_or_else(
                || "Neither rising nor falling beyond chance.".to_owned(),
                |words| format!("It is {words}."),
            ),
        };
        Some(Picture {
            id: format!("pack-months-{number}"),
            title: format!("Timeouts of pack {name} by month, over the fleet"),
            says,
            drawn: Drawn::Plot {
                x: Axis { name: "month".into(), unit: String::new(), days: true },
                y: Axis { name: format!("timeouts in {what}").replace("in month", "a month"), ..Axis::default() },
                traces: vec![
                    band,
                    Trace { name: name.clone(), mark: Mark::StrongDots, points: dots, upper: Vec::new() },
                ],
                levels: Vec::new(),
            },
            table: Table {
                id: format!("pack-months-{number}"),
                caption: format!("Pack {name} by month"),
                columns,
                rows,
                query: MONTHS,
            },
        })
    }
}

/// Drawings take finite numbers only.
pub fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { 0.0 }
}

fn two(value: f64) -> String {
    format!("{value:.2}").replace('-', "−")
}

fn interval(factor: &Factor) -> String {
    format!("{} (90 %: {} to {})", words::short(factor.value), words::short(factor.low), words::short(factor.high))
}

fn trend_cells(trend: &Trend) -> (Cell, Cell) {
    match trend {
        Trend::TooFew => (Cell::Missing("too few"), Cell::Text("too few".into())),
        Trend::Slope { a_year, .. } => {
            let word = if trend.rises() {
                "rising"
            } else if trend.falls() {
                "falling"
            } else {
                "steady"
            };
            (Cell::number(*a_year, 2), Cell::Text(word.into()))
        }
    }
}

fn trend_words(trend: &Trend) -> Option<String> {
    let Trend::Slope { a_year, low, high, .. } = trend else { return None };
    let factor = interval(&Factor { value: *a_year, low: *low, high: *high });
    if trend.rises() {
        Some(format!("getting worse, × {factor} a year"))
    } else if trend.falls() {
        Some(format!("getting better, × {factor} a year"))
    } else {
        None
    }
}

fn hot_words((own, error): (f64, f64)) -> String {
    let hot = if own - 1.645 * error > crate::fleet::heat::SICK_K { "hot" } else { "not hot" };
    format!("{hot}: {} K (± {error:.1}) beside what weather and work explain", words::signed(own))
}

fn ageing_words(found: &super::Found) -> String {
    match (&found.a_year, found.ageing.growth > 0.0) {
        (None, _) => "No ageing is reckoned with: the packs' ages are not known, or too much alike.".into(),
        (Some(a_year), true) => format!(
            "As packs age, their timeouts are multiplied by {} a year in this fleet; the plan reckons with {}, nearer to none \
             by how uncertain it is.",
            interval(a_year),
            words::short(libm::exp(found.ageing.growth))
        ),
        (Some(a_year), false) => format!(
            "Older packs of this fleet do not give up more often beyond doubt (factor a year {}): no ageing is reckoned with.",
            interval(a_year)
        ),
    }
}

fn new_pack_words(found: &super::Found, exposure: Exposure) -> String {
    let (per, what) = exposure.per();
    let whose = if found.by_age {
        format!("the middle of {} packs younger than {:.0} years", found.young, super::ageing::YOUNG_YEARS)
    } else {
        format!("the better half of all packs ({}), since too few young ones are on record", found.young)
    };
    format!("A new pack is taken to give up {:.2} times in {what}: {whose}.", found.ageing.new_rate * per)
        .replace("in month", "a month")
}
