//! Files to begin with: headings without rows, and a page that tells each column.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::columns::{Kind, LAYOUTS, Layout};
use super::{geo, limits};

/// The page's name.
const README: &str = "README.md";

/// Which files were written.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Templates {
    /// These are new.
    pub written: Vec<PathBuf>,
    /// These were there, and are as they were.
    pub kept: Vec<PathBuf>,
}

/// Writes an empty file of each kind into a folder, and a README. What is there stays as it is.
///
/// # Errors
/// The folder or a file cannot be written.
pub fn templates(folder: &Path) -> io::Result<Templates> {
    fs::create_dir_all(folder)?;
    let mut templates = Templates::default();
    let texts = LAYOUTS.iter().map(|layout| (layout.file, heading(layout))).chain([
        (limits::FILE, LIMITS.to_owned()),
        (geo::FILE, OVERHEAD.to_owned()),
        (README, readme()),
    ]);
    for (name, text) in texts {
        let path = folder.join(name);
        match File::create_new(&path) {
            Ok(mut file) => {
                file.write_all(text.as_bytes())?;
                templates.written.push(path);
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => templates.kept.push(path),
            Err(error) => return Err(error),
        }
    }
    Ok(templates)
}

fn heading(layout: &Layout) -> String {
    let names: Vec<&str> = layout.columns.iter().map(|column| column.name).collect();
    format!("{}\r\n", names.join(","))
}

const LIMITS: &str = r#"# Channels: what is measured by hand, how often, and how far it may go.
#
# One [[channel]] for each. The values here are examples of common practice; take your own from your vehicles' papers.
# Take the # away to put one in force.

#[[channel]]
# As readings.csv names it.
#name = "link-3"
#about = "optical link, inverter 1, received power"
# A UCUM code: uW, kOhm, MOhm, mm, V.
#unit = "uW"
# A power, whose drift is reckoned in dB.
#decibels = true
# Whether a "lower" or a "higher" value is the bad one.
#worse = "lower"
# What a new one reads; from where on it is suspect; the recheck limit, from which it is measured again and replaced if that
# holds; and from where on it may fail any day.
#new = 120
#suspect = 60
#recheck = 40
#marginal = 20
# Days from one reading to the next. Leave it out where nothing is due.
#every_days = 180
# Kinds of vehicles that have it, as vehicles.csv names them. Leave it out where all have it.
#kinds = ["articulated"]
"#;

const OVERHEAD: &str = "{\"type\": \"FeatureCollection\", \"features\": []}\n";

fn readme() -> String {
    let mut text = String::from(
        "# Records\n\n\
         What people write down, for yardtap to read. `yardtap records check FOLDER` tells what is wrong, by file, row and\n\
         column, and what would be right. A file that is missing counts as empty.\n\n\
         The `.csv` files are tables with a heading, as a spreadsheet saves them (\"CSV UTF-8\"). Cells are separated by comma,\n\
         semicolon or tab; columns stand in any order; decimal commas are understood. Columns of your own are kept. Days are\n\
         best written `2026-02-10`; `10.02.2026` is understood, and `10/02/2026` where some row of the column shows which is\n\
         the month. Give number columns that begin with zeros, such as fleet numbers, the format \"text\" in the spreadsheet.\n",
    );
    for layout in LAYOUTS {
        text.push_str(&format!(
            "\n## {}\n\n{}\n\n| column | needed | holds | example |\n| --- | --- | --- | --- |\n",
            layout.file, layout.about
        ));
        for column in layout.columns {
            let needed = if column.needed { "yes" } else { "" };
            let kind = match column.kind {
                Kind::Text => "",
                Kind::Day => " A day.",
                Kind::Time => " A day with a time of day.",
                Kind::Number => " A number.",
            };
            let example = if column.example.is_empty() { String::new() } else { format!("`{}`", column.example) };
            text.push_str(&format!("| `{}` | {needed} | {}{kind} | {example} |\n", column.name, column.about));
        }
    }
    text.push_str(
        "\n## limits.toml\n\n\
         Channels: what is measured, in which unit, how far it may go, and how often it is due. The file itself tells each key.\n\n\
         ## overhead.geojson\n\n\
         The overhead as GeoJSON (RFC 7946), longitude first, then latitude. A LineString or MultiLineString with the property\n\
         `line` is a line's way, by the name that duties give it; with `off_wire` set to true no wire hangs there. A Point with the\n\
         property `special_work` is a piece of special work, such as `switch`, `coast_switch`, `power_switch`, `crossing`, `curve`\n\
         or `section_gap`; it has an `id`, a `name`, and may name its `lines`.\n\n\
         ## Caution\n\n\
         Readings and limits tell where to look. They never tell that equipment is safe, isolated or discharged. Overhead lines,\n\
         roofs and filter capacitors kill: follow the agency's isolation procedure, local codes and licensed practice.\n",
    );
    text
}
