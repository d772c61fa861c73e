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
    for kind in RecordKind::ALL {
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

#[test]
fn the_readings_behind_a_decision_become_senml_at_the_time_they_were_read() {
    let body = r#"{"detectors":[{"readings":[{"signal":"power","value":118.5,"unit":"W","age_s":0.5},
        {"signal":"status","value":"milling","unit":"","age_s":0}]}]}"#;
    let records = export::Readings::default().of(&Found { body: body.into(), ..found() });
    let pack = idlegate_engine::intake::senml::write_pack(&records).unwrap();
    let read = idlegate_engine::intake::resolve_senml(&pack).unwrap();
    assert_eq!(read, records, "RFC 8428 as our own reader resolves it");
    assert_eq!((read[0].name.as_str(), read[0].unit.as_deref()), ("mill/power", Some("W")));
    assert_eq!(found().at.wall.as_secs_f64() - read[0].time, 0.5);
    assert_eq!(read[1].value, Some(idlegate_engine::intake::SenmlValue::Text("milling".into())));
}

/// RFC 8428, section 4.3: the sum is the integral of the values over time, so watts come with joules.
#[test]
fn the_energy_of_minutes_becomes_their_average_and_the_sum_so_far() {
    let body = r#"{"from":"2026-11-25T10:00:00Z","joules":[600.0,null,1200.0]}"#;
    let energy = Found { kind: "energy".into(), body: body.into(), ..found() };
    let mut readings = export::Readings::default();
    let records = readings.of(&energy);
    let facts: Vec<_> =
        records.iter().map(|record| (record.value.clone(), record.sum, record.time)).collect();
    let begin = idlegate_plan::text::parse_time("2026-11-25T10:00:00Z").unwrap().as_secs_f64();
    let watts = |watts| Some(idlegate_engine::intake::SenmlValue::Number(watts));
    assert_eq!(
        facts,
        [(watts(10.0), Some(600.0), begin + 60.0), (watts(20.0), Some(1_800.0), begin + 180.0)]
    );
    assert_eq!(readings.of(&energy)[0].sum, Some(2_400.0), "it goes on from record to record");
}
