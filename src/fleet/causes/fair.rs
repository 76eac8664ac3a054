//! The page that says how to use what is said of operators, and how not to.

use super::Study;
use crate::fleet::sheet::{Section, Sheet};
use crate::fleet::words;

/// The sheet `fair-use`.
pub(super) fn sheet(study: &Study) -> Sheet {
    let state = if study.operators {
        format!(
            "Operators are switched on here. An operator is shown only from {} expected pole-offs on; {} so, {} with too \
             few are left out.",
            words::short(study.fewest),
            words::count(study.findings.operators.len() as u64, "is", "are"),
            words::number(study.findings.operators_left_out as f64, 0)
        )
    } else {
        "Operators are switched off here, as they are until the agency decides otherwise: nothing is reckoned about anybody."
            .to_owned()
    };
    let section = |id: &str, heading: &str, text: &[&str]| Section {
        id: id.to_owned(),
        heading: heading.to_owned(),
        text: text.iter().map(|&text| text.to_owned()).collect(),
        ..Section::default()
    };
    Sheet {
        id: "fair-use".to_owned(),
        title: "Fair use of what is said of operators".to_owned(),
        lead: vec![
            "These numbers are for finding causes in the overhead and in vehicles; they do not measure how well anybody \
             drives."
                .to_owned(),
            state,
        ],
        sections: vec![
            section(
                "why",
                "Why operators are in the model at all",
                &[
                    "Someone who drives the same line every day passes the same bad switch every day. Unless the model knows \
                     who drove, it may blame a vehicle or a place for what is a way of driving there, or the other way round.",
                    "So the main use is a better answer about places and vehicles.",
                ],
            ),
            section(
                "cannot",
                "What the numbers cannot tell",
                &[
                    "They know place, vehicle and kilometres. They do not know traffic, roadworks, weather, passengers, \
                     training, instructions, or how tired someone was after which shift.",
                    "Pole-offs are rare: most people's numbers are nothing but chance. The limits are widened for the number of \
                     people looked at, so that among all operators of an agency where nobody differs someone leaves them once \
                     in twenty such reports. Once in twenty is still not never.",
                    "Duties on record may be wrong, and swapped duties often are not recorded.",
                ],
            ),
            section(
                "rules",
                "Rules that this program keeps",
                &[
                    "Only pseudonyms are read, kept and shown. Who can resolve them should not be who reads these pages.",
                    "Nobody is ranked: operators stand in the order of their pseudonyms, without a rate, a count or a score; all \
                     that is said is whether chance, places and vehicles explain what was seen.",
                    "Small numbers are left out. Nothing about an operator is put on the worklist.",
                ],
            ),
            section(
                "rules-for-people",
                "Rules that only people can keep",
                &[
                    "Agree with those concerned, and their representatives, before this is switched on; local law may demand it.",
                    "Use it to ask, never to judge: ride along, look at the place together, offer training. What an operator says \
                     about a place is often the best evidence there is.",
                    "Never use it for pay, discipline or dismissal. It was not made for that, is not good enough for that, and \
                     people who fear a number soon stop reporting what is wrong with the wire.",
                    "Look at what was done well, too: who passes a bad place safely may know how.",
                    "Switch it off again when the question is answered.",
                ],
            ),
        ],
        queries: Vec::new(),
    }
}
