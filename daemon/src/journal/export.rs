//! Records for other programs: CloudEvents 1.0 in the JSON event format, and the readings in them as SenML.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::reader::Found;
use super::record::Kind;
use crate::intake::{SenmlRecord, SenmlValue};
use crate::recording::parse_time;
use crate::text::rfc3339;
use crate::time::WallTime;

/// A record as a CloudEvent. `source` names the journal it comes from, as a URI reference ("/idlegate/shop");
/// together with the id it is unique: a journal begun anew counts from 1 again, but never at the same time of
/// the same boot. The subject is the machine; records about the shop as a whole have none.
pub fn cloud_event(record: &Found, source: &str) -> Value {
    let mut event = json!({
        "specversion": "1.0",
        "id": format!("{}-{}-{}", record.boot.as_str(), record.at.moment.0, record.seq),
        "source": source,
        "type": format!("idlegate.journal.{}", record.kind),
        "time": rfc3339(record.at.wall),
        // The extension "sequence": a text that sorts as the numbers do.
        "sequence": format!("{:019}", record.seq),
        "datacontenttype": "application/json",
        "data": record.body(),
    });
    if let Some(machine) = record.machine.as_deref().filter(|machine| !machine.is_empty()) {
        event["subject"] = json!(machine);
    }
    if !record.intact {
        // Never passed on as if it were sound.
        event["damaged"] = json!(true);
    }
    event
}

/// The readings in records, as SenML (RFC 8428): what stood behind each decision, at the time it was read, and what was drawn
/// in each minute, as its average in watts with the joules so far as its sum.
#[derive(Debug, Default)]
pub struct Readings {
    joules: BTreeMap<String, f64>,
}

impl Readings {
    /// None, where a record holds no readings.
    pub fn of(&mut self, record: &Found) -> Vec<SenmlRecord> {
        let Some(machine) = record.machine.as_deref().filter(|machine| !machine.is_empty()) else {
            return Vec::new();
        };
        match record.kind() {
            Some(Kind::Decision) => evidence(machine, record),
            Some(Kind::Energy) => self.minutes(machine, &record.body()),
            Some(_) | None => Vec::new(),
        }
    }

    fn minutes(&mut self, machine: &str, body: &Value) -> Vec<SenmlRecord> {
        let Some(from) = body["from"].as_str().and_then(|from| parse_time(from).ok()) else {
            return Vec::new();
        };
        let sum = self.joules.entry(machine.to_owned()).or_default();
        let minutes = (1_i64..).zip(body["joules"].as_array().into_iter().flatten());
        let counted = minutes.filter_map(|(end, joules)| Some((end, joules.as_f64()?)));
        counted
            .map(|(end, joules)| {
                *sum += joules;
                let time = WallTime(from.0 + end * 60_000).as_secs_f64();
                let (name, unit) = (format!("{machine}/power"), Some("W".to_owned()));
                let value = Some(SenmlValue::Number(joules / 60.0));
                SenmlRecord { name, unit, value, sum: Some(*sum), time }
            })
            .collect()
    }
}

fn evidence(machine: &str, record: &Found) -> Vec<SenmlRecord> {
    let body = record.body();
    let detectors = body["detectors"].as_array().into_iter().flatten();
    let readings = detectors.flat_map(|detector| detector["readings"].as_array().into_iter().flatten());
    readings
        .filter_map(|reading| {
            let value = match &reading["value"] {
                Value::Number(number) => SenmlValue::Number(number.as_f64()?),
                Value::String(text) => SenmlValue::Text(text.clone()),
                _ => return None,
            };
            let unit = reading["unit"].as_str().filter(|unit| !unit.is_empty()).map(str::to_owned);
            let name = format!("{machine}/{}", reading["signal"].as_str()?);
            let time = record.at.wall.as_secs_f64() - reading["age_s"].as_f64().unwrap_or(0.0);
            Some(SenmlRecord { name, unit, value: Some(value), sum: None, time })
        })
        .collect()
}
