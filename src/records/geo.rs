//! `overhead.geojson` (RFC 7946) → ways and special work. Pure.

use std::collections::HashMap;

use geojson::{Feature, GeometryValue, JsonObject, JsonValue, Position};

use super::problem::{Book, Place, Spot, Wrong, shown};
use super::{Overhead, SpecialWork, Way};
use crate::fleet::stats::geodesy;

pub(super) const FILE: &str = "overhead.geojson";
/// Special work farther from every way is told: yards and turning loops are nearer, slips of the pen are not. Unit: m.
const FAR_M: f64 = 1000.0;
const ORDER_REMEDY: &str = "GeoJSON has longitude first, then latitude, in degrees";

/// Reads the text.
pub(super) fn overhead(text: &str, book: &mut Book) -> Overhead {
    let mut overhead = Overhead::default();
    let whole = |what: String| {
        (
            Spot::new(FILE, Place::Whole),
            Wrong::new("geojson", what, "a FeatureCollection of GeoJSON (RFC 7946) is asked for"),
        )
    };
    let mut root: JsonValue = match serde_json::from_str(text) {
        Ok(root) => root,
        Err(error) => {
            let (mut spot, wrong) = whole(error.to_string());
            spot.place = Place::Line(error.line() as u64);
            book.left_out(spot, wrong);
            return overhead;
        }
    };
    let Some(JsonValue::Array(features)) = root.get_mut("features").map(JsonValue::take) else {
        let (spot, wrong) = whole("no list `features`".into());
        book.left_out(spot, wrong);
        return overhead;
    };
    let mut special_at = Vec::new();
    let mut ids: HashMap<String, u64> = HashMap::new();
    for (number, feature) in (1..).zip(features) {
        let spot = |column: &str, text: &str| Spot::new(FILE, Place::Feature(number)).column(column, text);
        let feature = match serde_json::from_value::<Feature>(feature) {
            Ok(feature) => feature,
            Err(error) => {
                let remedy = "a Feature with geometry and properties; every position has longitude and latitude";
                book.left_out(spot("", ""), Wrong::new("feature", error.to_string(), remedy));
                continue;
            }
        };
        let properties = feature.properties.unwrap_or_default();
        let geometry = feature.geometry.map(|geometry| geometry.value);
        let kind = word(&properties, "special_work");
        if !kind.is_empty() {
            match special(&properties, kind, geometry.as_ref()) {
                Ok(work) => {
                    let first = ids.get(&work.id).filter(|_| !work.id.is_empty());
                    if let Some(first) = first {
                        let what = format!("special work '{}' is in feature {first} already", shown(&work.id));
                        book.warn(spot("id", &work.id), Wrong::new("id twice", what, "give each an id of its own"));
                    }
                    ids.entry(work.id.clone()).or_insert(number);
                    special_at.push(number);
                    overhead.special.push(work);
                }
                Err(wrong) => book.left_out(spot("geometry", ""), wrong),
            }
            continue;
        }
        let lines = match geometry {
            Some(GeometryValue::LineString { coordinates }) => vec![coordinates],
            Some(GeometryValue::MultiLineString { coordinates }) => coordinates,
            // Substations, yards and whatever else a plan shows.
            _ => continue,
        };
        let line = [word(&properties, "line"), word(&properties, "name")].into_iter().find(|name| !name.is_empty());
        if line.is_none() {
            let what = "this line has neither `line` nor `name`";
            book.warn(spot("properties", ""), Wrong::new("line", what, "name it as duties.csv names the line"));
        }
        for coordinates in lines {
            let points: Option<Vec<(f64, f64)>> = coordinates.iter().map(place).collect();
            match points {
                Some(points) if points.len() >= 2 => overhead.ways.push(Way {
                    line: line.clone().unwrap_or_default(),
                    wired: properties.get("off_wire") != Some(&JsonValue::Bool(true)),
                    points,
                }),
                Some(_) => {
                    let wrong = Wrong::new("line", "a line has fewer than two points", "a LineString has two or more");
                    book.left_out(spot("geometry", ""), wrong);
                }
                None => {
                    let at = coordinates.iter().position(|position| place(position).is_none()).unwrap_or_default();
                    let wrong = out_of_range(coordinates.get(at), &format!("position {}", at + 1));
                    book.left_out(spot("geometry", ""), wrong);
                }
            }
        }
    }
    far_off(&overhead, &special_at, book);
    overhead
}

/// A property as text; numbers too. Empty where there is none.
fn word(properties: &JsonObject, name: &str) -> String {
    match properties.get(name) {
        Some(JsonValue::String(text)) => text.trim().to_owned(),
        Some(JsonValue::Number(number)) => number.to_string(),
        _ => String::new(),
    }
}

/// Latitude and longitude of a position that is one.
fn place(position: &Position) -> Option<(f64, f64)> {
    let [longitude, latitude, ..] = position.as_slice() else { return None };
    (latitude.abs() <= 90.0 && longitude.abs() <= 180.0).then_some((*latitude, *longitude))
}

fn out_of_range(position: Option<&Position>, which: &str) -> Wrong {
    let shown: Vec<String> = position.iter().flat_map(|p| p.as_slice()).map(f64::to_string).collect();
    let what = format!("{which}, [{}], is outside of longitude −180 to 180 and latitude −90 to 90", shown.join(", "));
    Wrong::new("place", what, ORDER_REMEDY)
}

fn special(properties: &JsonObject, kind: String, geometry: Option<&GeometryValue>) -> Result<SpecialWork, Wrong> {
    let Some(GeometryValue::Point { coordinates }) = geometry else {
        let found = geometry.map_or("no geometry", GeometryValue::type_name);
        return Err(Wrong::new("special work", format!("special work is a Point, and this is {found}"), ORDER_REMEDY));
    };
    let (latitude, longitude) = place(coordinates).ok_or_else(|| out_of_range(Some(coordinates), "the point"))?;
    let lines = match properties.get("lines") {
        Some(JsonValue::Array(items)) => items
            .iter()
            .filter_map(|item| item.as_str().map(str::to_owned).or_else(|| item.as_u64().map(|n| n.to_string())))
            .collect(),
        Some(JsonValue::String(list)) => {
            list.split([',', ';']).map(|line| line.trim().to_owned()).filter(|line| !line.is_empty()).collect()
        }
        _ => Vec::new(),
    };
    Ok(SpecialWork { id: word(properties, "id"), kind, name: word(properties, "name"), latitude, longitude, lines })
}

/// Tells special work that is far from every way.
fn far_off(overhead: &Overhead, numbers: &[u64], book: &mut Book) {
    if overhead.ways.is_empty() {
        return;
    }
    for (work, number) in overhead.special.iter().zip(numbers) {
        let point = (work.latitude, work.longitude);
        let off = |way: &Way| geodesy::near(point, &way.points).map(|(off, _)| off);
        let nearest = overhead.ways.iter().filter_map(off).min_by(f64::total_cmp);
        if let Some(off) = nearest.filter(|off| *off > FAR_M) {
            let off = if off < 10_000.0 { format!("{off:.0} m") } else { format!("{:.0} km", off / 1000.0) };
            let what = format!("special work '{}' lies {off} from the nearest line", shown(&work.id));
            let spot = Spot::new(FILE, Place::Feature(*number)).column("geometry", "");
            book.warn(spot, Wrong::new("far off", what, format!("see its place; {ORDER_REMEDY}")));
        }
    }
}

/// The overhead as GeoJSON.
pub(super) fn written(overhead: &Overhead) -> JsonValue {
    let position = |(latitude, longitude): (f64, f64)| serde_json::json!([longitude, latitude]);
    let feature = |geometry: JsonValue, properties: JsonValue| serde_json::json!({"type": "Feature", "geometry": geometry, "properties": properties});
    let mut features = Vec::new();
    for way in &overhead.ways {
        let points: Vec<JsonValue> = way.points.iter().copied().map(position).collect();
        let mut properties = serde_json::json!({ "line": way.line });
        if !way.wired {
            properties["off_wire"] = true.into();
        }
        features.push(feature(serde_json::json!({"type": "LineString", "coordinates": points}), properties));
    }
    for work in &overhead.special {
        let mut properties = serde_json::json!({"special_work": work.kind, "id": work.id, "name": work.name});
        if !work.lines.is_empty() {
            properties["lines"] = work.lines.clone().into();
        }
        let point = position((work.latitude, work.longitude));
        features.push(feature(serde_json::json!({"type": "Point", "coordinates": point}), properties));
    }
    serde_json::json!({"type": "FeatureCollection", "features": features})
}
