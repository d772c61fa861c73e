//! What is published is what the AsyncAPI document says, to the last member: integrators build on it.

use serde_json::{Value as Json, json};

use super::world::{World, name};
use idlegate_engine::{Effect, KeptMachine, Subject, intake, request_topic};
use idlegate_guard::time::Span;
use idlegate_guard::{Announcement, Decision, IncidentKind, Reason, RequestKind};
use idlegate_messages::effects::handover::Handover;
use idlegate_messages::effects::messages::{self, Topics};
use idlegate_messages::effects::sentences;
use idlegate_messages::{Guarding, Health, Request};
use idlegate_plan::MachineIx;
use idlegate_plan::event::{Event, Message, Verdict};
use idlegate_plan::kept::{KeptLockout, KeptState, KeptUntil};

fn document() -> Json {
    serde_json::from_str(include_str!("../../../asyncapi.json")).unwrap()
}

pub(super) fn assert_described(message: &str, body: &impl serde::Serialize) {
    let body = &idlegate_messages::json(body);
    let document = document();
    let schema = &document["components"]["messages"][message]["payload"];
    let validator = jsonschema::validator_for(schema).unwrap();
    let faults: Vec<_> =
        validator.iter_errors(body).map(|fault| format!("{}: {fault}", fault.instance_path())).collect();
    assert!(faults.is_empty(), "{message}: {faults:?} in {body:#}");
}

/// By the JSON Schema that the AsyncAPI Initiative publishes for the version that the document declares.
#[test]
fn the_document_is_what_asyncapi_calls_one() {
    let document = document();
    assert_eq!(document["asyncapi"], "3.0.0");
    let schema =
        serde_json::from_str(include_str!("../../../../tests/published/asyncapi-3.0.0.json")).unwrap();
    let validator = jsonschema::draft7::new(&schema).unwrap();
    let faults: Vec<_> =
        validator.iter_errors(&document).map(|fault| format!("{}: {fault}", fault.instance_path())).collect();
    assert!(faults.is_empty(), "{faults:#?}");
    let mut spoilt = document;
    spoilt["operations"]["send-decision"]["action"] = "shout".into();
    assert!(!validator.is_valid(&spoilt), "a schema that lets anything through proves nothing");
}

/// AsyncAPI 3.0.0 says of a payload without a format of its own that it is a JSON Schema of draft 7.
#[test]
fn every_payload_is_a_json_schema() {
    let document = document();
    for (name, message) in document["components"]["messages"].as_object().unwrap() {
        jsonschema::draft7::meta::validate(&message["payload"]).unwrap_or_else(|why| panic!("{name}: {why}"));
    }
    assert!(!jsonschema::draft7::meta::is_valid(&json!({ "type": "text" })));
}

#[test]
fn topics_are_the_documents_addresses() {
    let topics = Topics::new("idlegate");
    let document = document();
    for (channel, topic) in [
        ("health", topics.health()),
        ("machine", topics.machine("mill")),
        ("decision", topics.decision()),
        ("announcement", topics.announcement()),
        ("incident", topics.incident()),
        ("request", request_topic("idlegate", "console")),
        ("stand-by", topics.stand_by("left")),
        ("kept", topics.kept("mill")),
        ("answered", topics.answered("console")),
        ("answered-page", topics.answered_page("console", 3)),
        ("marker", "idlegate/link/idlegate/marker".to_owned()),
        ("probe", "idlegate/probe/expiry".to_owned()),
    ] {
        let address = document["channels"][channel]["address"].as_str().unwrap();
        let filled = address
            .replace("{prefix}", "idlegate")
            .replace("{machine}", "mill")
            .replace("{name}", "left")
            .replace("{input}", "console")
            .replace("{client}", "idlegate")
            .replace("{page}", "3");
        assert_eq!(filled, topic);
    }
}

#[test]
fn decisions_announcements_incidents_and_states_are_as_described() {
    let mut seen = std::collections::BTreeSet::new();
    let mut look = |world: &World| {
        for effect in &world.effects {
            match effect {
                Effect::Decided(decided) => {
                    seen.insert("decision");
                    let mut body = messages::decision(decided);
                    assert_described("decision", &body);
                    body.stored = Some(true);
                    assert_described("decision", &body);
                }
                Effect::Announce(announced) => {
                    seen.insert("announcement");
                    let sentence = sentences::announcement(announced, &std::collections::BTreeMap::new());
                    assert!(!sentence.contains('{'), "{sentence}");
                    assert_described("announcement", &messages::announcement(announced, &sentence));
                }
                Effect::Incident(told) => {
                    seen.insert("incident");
                    let sentence = sentences::incident(told, false, &std::collections::BTreeMap::new());
                    assert_described("incident", &messages::incident(told, false, &sentence));
                }
                Effect::NotUnderstood(told) => {
                    seen.insert("not-understood");
                    let (input, _) = &told.input;
                    let of = Subject::NotUnderstood;
                    let message = messages::shop_announcement(told.at, of, Some(input), "?");
                    assert_described("announcement", &message);
                }
                Effect::ShopIncident(told) => {
                    seen.insert("shop-incident");
                    let sentence = sentences::trouble(told, &std::collections::BTreeMap::new());
                    assert!(!sentence.contains('{'), "{sentence}");
                    assert_described("incident", &messages::trouble(told, &sentence));
                }
                Effect::ServiceDue(told) => {
                    seen.insert("service-due");
                    let sentence = sentences::service_due(told, &std::collections::BTreeMap::new());
                    assert_described("announcement", &messages::service_due(told, &sentence));
                }
                _ => {}
            }
        }
        let status = world.engine.status(world.now.moment, MachineIx(0));
        assert_described("machine", &messages::machine_status(&status, world.now));
    };
    let mut world = World::new();
    look(&world);
    world = World::on_and(Verdict::Busy);
    for (topic, payload) in [
        ("buttons/mill", "press"),
        ("clock/night", "bell"),
        ("idlegate/request/console", "nonsense"),
        ("outlets/mill/says", "off"),
        ("contacts/red", "open"),
    ] {
        let message = Message {
            response_topic: Some("idlegate/answer/button".into()),
            ..World::message(topic, payload)
        };
        world.event(Event::Message(message));
        look(&world);
        world.wait(Span::secs(3));
        look(&world);
    }
    assert_eq!(seen.len(), 3, "{seen:?}");
}

/// Integrators choose by these words what to say aloud or to show in red.
#[test]
fn the_document_lists_every_kind_of_announcement_and_incident() {
    let document = document();
    let kinds = |message: &str| {
        document["components"]["messages"][message]["payload"]["properties"]["kind"]["enum"].clone()
    };
    let announced =
        Subject::ALL.iter().filter(|subject| subject.is_announced()).map(|subject| subject.word());
    let announced: Vec<&str> = Announcement::WORDS.iter().copied().chain(announced).collect();
    assert_eq!(kinds("announcement"), json!(announced));
    let incidents = Subject::ALL.iter().filter(|subject| subject.is_incident()).map(|subject| subject.word());
    let incidents: Vec<&str> =
        IncidentKind::ALL.into_iter().map(IncidentKind::word).chain(incidents).collect();
    assert_eq!(kinds("incident"), json!(incidents));
    for word in ["held", "emergency-off", "let-go", "rules-kept-old", "detector-stopped"] {
        assert!(announced.contains(&word), "{word}");
    }
    for word in ["off-by-another-route", "still-drawing", "outlets-lost", "flood"] {
        assert!(incidents.contains(&word), "{word}");
    }
}

#[test]
fn announcements_and_incidents_have_the_same_members() {
    let document = document();
    let members = |message: &str| document["components"]["messages"][message]["payload"]["required"].clone();
    assert_eq!(members("announcement"), members("incident"));
    for member in ["kind", "input", "urgent", "window_s", "machine", "sentence"] {
        assert!(members("incident").as_array().unwrap().contains(&member.into()), "{member}");
    }
}

#[test]
fn health_is_as_described() {
    assert_described("health", &Health::Gone { version: "1.0.0".to_owned() });
    let said = |text: &str| Some(text.to_owned());
    let guarding =
        Guarding { instance: said("7"), journal: said("ok"), rules: said("3f"), ..Guarding::default() };
    assert_described("health", &Health::Guarding(Box::new(guarding)));
}

#[test]
fn what_one_guard_leaves_to_the_next_is_as_described() {
    let world = World::new();
    let secret = idlegate_plan::Secret::new("of these rules".to_owned());
    let mut handover = Handover::new(idlegate_messages::effects::seal::Seal::new(Some(&secret)));
    let kept = |handover: &Handover| -> Json {
        serde_json::from_str(&handover.kept_message(world.now, "kept", &name("mill"))).unwrap()
    };
    assert_described("kept", &kept(&handover));
    handover.keep(KeptMachine {
        machine: name("mill"),
        state: KeptState {
            locks: vec![KeptLockout::new(name("red"), true)],
            deferral: Some(KeptUntil {
                by: name("night"),
                expires: world.now.wall,
                remaining: Span::secs(90),
            }),
            ..KeptState::default()
        },
    });
    assert_described("kept", &kept(&handover));
    handover.keep(KeptMachine { machine: name("mill"), state: KeptState::default() });
    assert_described("kept", &kept(&handover));
    for number in 0..16 {
        handover.answered(&name("console"), &format!("a-{number}").into(), world.now.wall);
    }
    assert_described("answered", &handover.answered_message(world.now, "ids", &name("console")).unwrap());
    assert_described("answered", &handover.page_message("ids", &name("console"), 0).unwrap());
    for role in ["standing-by", "taking-over", "guarding", "gone"] {
        assert_described("stand-by", &messages::stand_by(world.now, "left", role, "digest"));
    }
}

#[test]
fn the_words_of_the_document_are_those_of_the_program() {
    let document = document();
    let payload =
        |message: &str| document["components"]["messages"][message]["payload"]["properties"].clone();
    let words: Vec<Json> = RequestKind::ALL.iter().map(|kind| kind.word().into()).collect();
    assert_eq!(payload("request")["request"]["enum"], Json::from(words));
    let mut decisions: Vec<Json> = Vec::new();
    for reason in Reason::ALL {
        let word = Json::from(Decision::word(reason.decision()));
        if !decisions.contains(&word) {
            decisions.push(word);
        }
    }
    assert_eq!(payload("decision")["decision"]["enum"], Json::from(decisions));
    let request = Request { id: Some("7".to_owned()), request: "off".to_owned(), ..Request::default() };
    let (machine, group) = (Some("mill".to_owned()), Some("evening".to_owned()));
    for request in [Request { machine, ..request.clone() }, Request { group, ..request }] {
        assert_described("request", &request);
        assert!(intake::parse_request(idlegate_messages::text(&request).as_bytes()).is_ok());
    }
}
