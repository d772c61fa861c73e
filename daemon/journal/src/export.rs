//! Records for other programs: CloudEvents 1.0 in the JSON event format, and the readings in them as SenML.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::reader::Found;
use super::record::RecordKind;
use idlegate_engine::intake::{SenmlRecord, SenmlValue};
use idlegate_guard::time::WallTime;
use idlegate_messages::{Decision, Energy, Quantity};
use idlegate_plan::text::{parse_time, rfc3339};

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

/// The readings in records, as SenML (RFC 8428): what stood behind each decision, at the time it was read, and what was
/// drawn in each minute, as its average in watts with the joules so far as its sum.
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
            Some(RecordKind::Decision) => evidence(machine, record),
            Some(RecordKind::Energy) => self.minutes(machine, &record.read()),
            Some(_) | None => Vec::new(),
        }
    }

    fn minutes(&mut self, machine: &str, energy: &Energy) -> Vec<SenmlRecord> {
        let Ok(from) = parse_time(&energy.from) else { return Vec::new() };
        let sum = self.joules.entry(machine.to_owned()).or_default();
        let minutes = (1_i64..).zip(&energy.joules);
        let counted = minutes.filter_map(|(end, joules)| Some((end, (*joules)?)));
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
    let decision: Decision = record.read();
    let readings = decision.detectors.into_iter().flat_map(|detector| detector.readings);
    readings
        .filter(|reading| !reading.signal.is_empty())
        .filter_map(|reading| {
            let value = match reading.value? {
                Quantity::Number(number) => SenmlValue::Number(number.as_f64()?),
                Quantity::Text(text) => SenmlValue::Text(text),
            };
            let unit = (!reading.unit.is_empty()).then_some(reading.unit);
            let name = format!("{machine}/{}", reading.signal);
            let time = record.at.wall.as_secs_f64() - reading.age_s;
            Some(SenmlRecord { name, unit, value: Some(value), sum: None, time })
        })
        .collect()
}
