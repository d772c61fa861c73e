//! Records for other programs: CloudEvents 1.0 in the JSON event format, one event a line.

use serde_json::{Value, json};

use super::reader::Found;
use super::rfc3339::rfc3339;

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
