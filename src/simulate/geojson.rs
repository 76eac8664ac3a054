//! The town's overhead as GeoJSON (RFC 7946).

use serde_json::{Value, json};

use super::town::{Town, degrees};

/// Lines as LineString, unwired streets as LineString with `off_wire`, special work and substations as Point.
///
/// Special work has the properties `special_work` (its kind) and `id`. Positions are longitude, latitude, in degrees
/// rounded to 1e-7.
pub fn overhead(town: &Town) -> Value {
    let mut features = Vec::new();
    for line in &town.lines {
        let points = line.places.iter().map(|&place| town.places[place].degrees());
        features.push(feature(
            json!({"type": "LineString", "coordinates": points.map(position).collect::<Vec<_>>()}),
            json!({"line": line.number, "name": format!("Line {}", line.number)}),
        ));
    }
    for street in town.streets.iter().filter(|street| !street.wired) {
        let ends = [street.from, street.to].map(|place| position(town.places[place].degrees()));
        let name = format!("{} – {}", town.places[street.from].name, town.places[street.to].name);
        features
            .push(feature(json!({"type": "LineString", "coordinates": ends}), json!({"off_wire": true, "name": name})));
    }
    for work in &town.special_work {
        features.push(feature(
            json!({"type": "Point", "coordinates": position(work.degrees)}),
            json!({"special_work": work.kind.word(), "id": work.id, "name": work.name}),
        ));
    }
    for &place in &town.substations {
        let place = &town.places[place];
        features.push(feature(
            json!({"type": "Point", "coordinates": position(degrees(place.x, place.y))}),
            json!({"substation": true, "name": place.name}),
        ));
    }
    json!({"type": "FeatureCollection", "name": town.name, "features": features})
}

fn feature(geometry: Value, properties: Value) -> Value {
    json!({"type": "Feature", "geometry": geometry, "properties": properties})
}

fn position((latitude, longitude): (f64, f64)) -> [f64; 2] {
    [longitude, latitude].map(|degrees| (degrees * 1e7).round() / 1e7)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn special_work_is_found_by_its_property() {
        let town = Town::velmora();
        let overhead = overhead(&town);
        let features = overhead["features"].as_array().cloned().unwrap_or_default();
        let special = features.iter().filter(|f| f["properties"]["special_work"].is_string());
        assert_eq!(special.count(), town.special_work.len());
        assert!(features.iter().any(|f| f["properties"]["special_work"] == "section_gap"));
    }
}
