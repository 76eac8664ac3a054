//! Errors of SQL in words, with what helps.

use datafusion::common::utils::datafusion_strsim::normalized_levenshtein;
use datafusion::common::{Column, DataFusionError, SchemaError};

/// Names that are as like as this are meant, perhaps.
const LIKE: f64 = 0.5;
/// And not less like than the likest by more than this.
const LESS_LIKE: f64 = 0.2;
/// Names shown at most.
const SHOWN_MAX: usize = 3;

/// An error in words: where it lies in the SQL, and what would be right. `tables` are the names that there are.
pub(super) fn told(error: &DataFusionError, sql: &str, tables: &[String]) -> String {
    match error.find_root() {
        DataFusionError::SQL(parser, _) => at_its_place(&parser.to_string(), sql),
        DataFusionError::SchemaError(problem, _) => match problem.as_ref() {
            SchemaError::FieldNotFound { field, valid_fields } => no_column(field, valid_fields),
            other => other.to_string(),
        },
        DataFusionError::Plan(text) => match missing_table(text) {
            Some(name) => no_table(name, tables),
            None if is_refusal(text) => format!("{text}; here is only read: SELECT, WITH, EXPLAIN, SHOW TABLES"),
            None => text.clone(),
        },
        DataFusionError::ResourcesExhausted(text) => {
            format!(
                "out of the memory that the engine may use: {text}; ask for fewer days or columns, or allow it more"
            )
        }
        DataFusionError::External(inner) => inner.to_string(),
        other => other.strip_backtrace(),
    }
}

/// `'yardtap.fleet.rums'` of "table … not found".
fn missing_table(text: &str) -> Option<&str> {
    let name = text.strip_prefix("table '")?.split_once("' not found")?.0;
    let name = name.strip_prefix("yardtap.").unwrap_or(name);
    Some(name.strip_prefix("fleet.").unwrap_or(name))
}

fn is_refusal(text: &str) -> bool {
    ["DDL not supported", "DML not supported", "Statement not supported"].iter().any(|no| text.starts_with(no))
}

fn no_table(name: &str, tables: &[String]) -> String {
    // A message may be named without its schema.
    let tail = |table: &str| table.rsplit('.').next().unwrap_or_default().to_owned();
    let likeness =
        |table: &&String| normalized_levenshtein(name, table).max(normalized_levenshtein(&tail(name), &tail(table)));
    let like = most_like(tables.iter(), likeness);
    let like: Vec<&str> = like.into_iter().map(String::as_str).collect();
    format!("there is no table '{name}'{}; `yardtap sql --tables` lists all", perhaps(&like))
}

fn no_column(column: &Column, known: &[Column]) -> String {
    let name = column.name.to_lowercase();
    let like = most_like(known.iter(), |known| {
        // What is meant by `speed` may be `motion.speed`.
        let tail = known.name.rsplit('.').next().unwrap_or_default().to_lowercase();
        normalized_levenshtein(&name, &known.name.to_lowercase()).max(normalized_levenshtein(&name, &tail))
    });
    let shown: Vec<String> = like.into_iter().map(|known| written(&known.name)).collect();
    let shown: Vec<&str> = shown.iter().map(String::as_str).collect();
    let table = column.relation.as_ref().map(|table| format!(" in '{}'", table.table())).unwrap_or_default();
    format!("there is no column '{}'{table}{}; `yardtap sql --tables` lists all", column.name, perhaps(&shown))
}

/// A name as SQL wants it: in quotes where it holds a dot, a capital, or is a word of the language.
fn written(name: &str) -> String {
    let plain = name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if plain && name != "end" { name.to_owned() } else { format!("\"{name}\"") }
}

fn most_like<'a, T>(all: impl Iterator<Item = &'a T>, likeness: impl Fn(&&'a T) -> f64) -> Vec<&'a T> {
    let mut like: Vec<(f64, &T)> = all.map(|one| (likeness(&one), one)).filter(|(like, _)| *like >= LIKE).collect();
    like.sort_by(|a, b| b.0.total_cmp(&a.0));
    // Beside one that is nearly the same, others are noise.
    let best = like.first().map_or(0.0, |one| one.0);
    like.retain(|one| one.0 >= best - LESS_LIKE);
    like.into_iter().take(SHOWN_MAX).map(|(_, one)| one).collect()
}

fn perhaps(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        names => format!(" (meant {}?)", names.join(" or ")),
    }
}

/// The SQL's line with a mark under the place that a parser's message names.
fn at_its_place(message: &str, sql: &str) -> String {
    let message = message.strip_prefix("sql parser error: ").unwrap_or(message);
    let Some((what, place)) = message.rsplit_once(" at Line: ") else { return message.to_owned() };
    let place = place.split_once(", Column: ").and_then(|(line, column)| {
        let line: usize = line.trim().parse().ok()?;
        let column: usize = column.trim().parse().ok()?;
        Some((sql.lines().nth(line.checked_sub(1)?)?, column.checked_sub(1)?))
    });
    match place {
        Some((line, column)) => format!("{what}\n  {line}\n  {}^", " ".repeat(column)),
        None => what.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mistake_in_the_sql_is_shown_at_its_place() {
        let text = at_its_place(
            "sql parser error: Expected: an expression, found: FROM at Line: 2, Column: 1",
            "SELECT\nFROM runs",
        );
        assert_eq!(text, "Expected: an expression, found: FROM\n  FROM runs\n  ^");
        assert_eq!(at_its_place("sql parser error: odd at Line: 9, Column: 1", "x"), "odd");
    }

    #[test]
    fn a_name_that_is_nearly_right_is_told() {
        let tables = ["runs".to_owned(), "events".to_owned(), "signals.line_input".to_owned()];
        assert_eq!(missing_table("table 'yardtap.fleet.rums' not found"), Some("rums"));
        assert_eq!(
            no_table("rums", &tables),
            "there is no table 'rums' (meant runs?); `yardtap sql --tables` lists all"
        );
        assert!(no_table("line_inputs", &tables).contains("meant signals.line_input?"));
        let known = ["motion.speed", "end", "vehicle"].map(Column::from_name);
        assert!(no_column(&Column::from_name("sped"), &known).contains("(meant \"motion.speed\"?)"));
        assert!(no_column(&Column::from_name("zzz"), &known).starts_with("there is no column 'zzz';"));
    }
}
