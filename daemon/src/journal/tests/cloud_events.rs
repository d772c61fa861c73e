//! CloudEvents 1.0 (cloudevents.io, "CloudEvents - Version 1.0.2" and "JSON Event Format for CloudEvents -
//! Version 1.0.2"): required attributes id, source, specversion, type; all attribute values strings; names of
//! lower-case letters and digits; time as RFC 3339; data under `data`, with `datacontenttype`.

use super::*;

fn found() -> Found {
    Found {
        seq: 42,
        boot: BootId::new("9171f8c7-2131-460d-b860-ac7927a45ad0"),
        at: at(7),
        kind: "decision".into(),
        machine: Some("mill".into()),
        body: r#"{"decision":"held"}"#.into(),
        intact: true,
    }
}

#[test]
fn a_record_becomes_a_cloud_event() {
    let event = export::cloud_event(&found(), "/idlegate/shop");
    assert_eq!(
        event,
        json!({
            "specversion": "1.0",
            "id": "9171f8c7-2131-460d-b860-ac7927a45ad0-7-42",
            "source": "/idlegate/shop",
            "type": "idlegate.journal.decision",
            "time": "2026-11-25T02:38:29.127Z",
            "subject": "mill",
            "sequence": "0000000000000000042",
            "datacontenttype": "application/json",
            "data": { "decision": "held" },
        })
    );
    assert!(!event.to_string().contains('\n'), "one event a line");
}

#[test]
fn every_kind_keeps_to_the_rules_of_the_format() {
    for kind in Kind::ALL {
        for machine in [None, Some(String::new()), Some("mill".to_owned())] {
            for intact in [true, false] {
                let has_subject = machine.as_deref() == Some("mill");
                let record = Found { kind: kind.word().into(), machine: machine.clone(), intact, ..found() };
                let event = export::cloud_event(&record, "/idlegate/shop");
                let members = event.as_object().unwrap();
                for required in ["id", "source", "specversion", "type"] {
                    assert!(members[required].as_str().is_some_and(|text| !text.is_empty()), "{required}");
                }
                for (name, value) in members {
                    assert!(
                        name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit()),
                        "{name}"
                    );
                    assert!(name.len() <= 20 && (name == "data" || value.is_string() || value.is_boolean()));
                }
                assert_eq!(members.contains_key("subject"), has_subject, "never an empty subject");
                assert_eq!(members.contains_key("damaged"), !intact);
            }
        }
    }
}
