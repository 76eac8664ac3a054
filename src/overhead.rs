//! Special work of the overhead, from GeoJSON (RFC 7946): points with a property `special_work` that names the kind.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::run::Place;

/// Why the overhead's file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum OverheadError {
    /// It cannot be read.
    #[error("{}: {source}; the configuration names it as `overhead`", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is no GeoJSON.
    #[error("{}: {why}; a FeatureCollection of GeoJSON (RFC 7946) is asked for", path.display())]
    NotGeoJson {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A point has no usable coordinates.
    #[error("{}: feature {number} is special work, but no point of longitude (−180 to 180) and latitude (−90 to 90); GeoJSON has longitude first", path.display())]
    NoPlace {
        /// The file.
        path: PathBuf,
        /// Its number in the file, from 1.
        number: usize,
    },
}

/// Reads the special work of a file. Features without the property, lines for example, are passed over.
///
/// # Errors
/// It cannot be read, or a place in it is none.
pub fn load(path: &Path) -> Result<Vec<Place>, OverheadError> {
    let text = std::fs::read(path).map_err(|source| OverheadError::Unreadable { path: path.to_owned(), source })?;
    places(path, &text)
}

fn places(path: &Path, text: &[u8]) -> Result<Vec<Place>, OverheadError> {
    let not_geojson = |why: String| OverheadError::NotGeoJson { path: path.to_owned(), why };
    let root: Value = serde_json::from_slice(text).map_err(|error| not_geojson(error.to_string()))?;
    let features = root["features"].as_array().ok_or_else(|| not_geojson("no list `features`".into()))?;
    let mut places = Vec::new();
    for (index, feature) in features.iter().enumerate() {
        let Some(kind) = feature["properties"]["special_work"].as_str() else { continue };
        let at = &feature["geometry"]["coordinates"];
        let is_point = feature["geometry"]["type"] == "Point";
        match (at[0].as_f64(), at[1].as_f64()) {
            (Some(longitude), Some(latitude)) if is_point && longitude.abs() <= 180.0 && latitude.abs() <= 90.0 => {
                places.push(Place { kind: kind.to_owned(), latitude, longitude });
            }
            _ => return Err(OverheadError::NoPlace { path: path.to_owned(), number: index + 1 }),
        }
    }
    Ok(places)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn special_work_is_taken_and_lines_are_not() {
        let text = br#"{"type":"FeatureCollection","features":[
            {"type":"Feature","properties":{"line":"4"},"geometry":{"type":"LineString","coordinates":[[16,48],[17,49]]}},
            {"type":"Feature","properties":{"special_work":"section_gap"},"geometry":{"type":"Point","coordinates":[16.5,48.25]}}]}"#;
        let places = places(Path::new("overhead.geojson"), text).unwrap();
        assert_eq!((places.len(), places[0].latitude, places[0].longitude), (1, 48.25, 16.5));
    }

    #[test]
    fn a_latitude_in_the_longitude_s_place_is_told_where_it_cannot_be_one() {
        let text = br#"{"features":[{"properties":{"special_work":"switch"},"geometry":{"type":"Point","coordinates":[48.25,116.5]}}]}"#;
        let error = places(Path::new("o.geojson"), text).unwrap_err().to_string();
        assert!(error.contains("o.geojson: feature 1") && error.contains("longitude first"), "{error}");
        assert!(places(Path::new("o.geojson"), b"{}").unwrap_err().to_string().contains("no list `features`"));
    }
}
