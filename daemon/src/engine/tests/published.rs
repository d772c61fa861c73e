//! What is published is what the AsyncAPI document says, to the last member: integrators build on it.

use serde_json::{Value as Json, json};

use super::world::{World, name};
use crate::effects::carried::Carried;
use crate::effects::messages::{self, Topics};
use crate::effects::sentences;
use crate::engine::{Effect, KeptMachine, request_topic};
use crate::event::{Event, Message, Verdict};
use crate::guard::{Announcement, Decision, IncidentKind, InputId, Reason, RequestKind};
use crate::intake;
use crate::kept::{KeptDeferral, KeptLockout, KeptState};
use crate::time::Span;

fn document() -> Json {
    serde_json::from_str(include_str!("../../../asyncapi.json")).unwrap()
}

pub(super) fn assert_described(message: &str, body: &Json) {
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
    ] {
        let address = document["channels"][channel]["address"].as_str().unwrap();
        let filled = address
            .replace("{prefix}", "idlegate")
            .replace("{machine}", "mill")
            .replace("{name}", "left")
            .replace("{input}", "console")
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
                    body["stored"] = true.into();
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
                    let kind = messages::NOT_UNDERSTOOD;
                    let message = messages::shop_announcement(told.at, kind, Some(input), "?");
                    assert_described("announcement", &message);
                }
                _ => {}
            }
        }
        let status = world.engine.status(world.now.moment, 0);
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
        let message = Message { response_topic: Some("reply".into()), ..World::message(topic, payload) };
        world.event(Event::Message(message));
        look(&world);
        world.wait(Span::secs(3));
        look(&world);
    }
    assert_eq!(seen.len(), 3, "{seen:?}");
}

#[test]
fn the_document_lists_every_kind_of_announcement_and_incident() {
    let document = document();
    let kinds = |message: &str| {
        document["components"]["messages"][message]["payload"]["properties"]["kind"]["enum"].clone()
    };
    assert_eq!(kinds("announcement"), json!(messages::ANNOUNCEMENT_KINDS));
    let incidents: Vec<&str> =
        IncidentKind::ALL.into_iter().map(IncidentKind::word).chain([messages::OUTLETS_LOST]).collect();
    assert_eq!(kinds("incident"), json!(incidents));
    // What the guard can say, and what the service says besides, is the whole list, in its order.
    let said = every_announcement().map(|what| what.word());
    let others = [messages::NOT_UNDERSTOOD, messages::RULES_KEPT_OLD];
    let all: Vec<&str> = said.into_iter().chain(others).collect();
    assert_eq!(all, messages::ANNOUNCEMENT_KINDS);
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

/// One of each; a new one does not compile until it is here, too.
fn every_announcement() -> [Announcement; 16] {
    let input = InputId(1);
    let known = |what: Announcement| match what {
        Announcement::Held { .. }
        | Announcement::WindowOver
        | Announcement::Forced { .. }
        | Announcement::EmergencyOff { .. }
        | Announcement::Locked { .. }
        | Announcement::Unlocked { .. }
        | Announcement::Refused { .. }
        | Announcement::EmergencyIgnored { .. }
        | Announcement::EmergencyTooOld { .. }
        | Announcement::Deferred { .. }
        | Announcement::DeferralCancelled { .. }
        | Announcement::DeferralNotice { .. }
        | Announcement::DeferralBusyAgain
        | Announcement::DeferralExpired
        | Announcement::OffAbandoned
        | Announcement::StuckInput { .. } => what,
    };
    [
        Announcement::Held { input, reason: Reason::MachineBusy, window: Span::secs(10), may_force: true },
        Announcement::WindowOver,
        Announcement::Forced { input },
        Announcement::EmergencyOff { input },
        Announcement::Locked { input },
        Announcement::Unlocked { input },
        Announcement::Refused { input, kind: RequestKind::On, reason: Reason::Lockout },
        Announcement::EmergencyIgnored { input },
        Announcement::EmergencyTooOld { input },
        Announcement::Deferred { input },
        Announcement::DeferralCancelled { input: None },
        Announcement::DeferralNotice { input, acts_in: Span::secs(30) },
        Announcement::DeferralBusyAgain,
        Announcement::DeferralExpired,
        Announcement::OffAbandoned,
        Announcement::StuckInput { input },
    ]
    .map(known)
}

#[test]
fn health_is_as_described() {
    assert_described("health", &messages::health("gone", json!({})));
}

#[test]
fn what_one_guard_leaves_to_the_next_is_as_described() {
    let world = World::new();
    let mut carried = Carried::default();
    assert_described("kept", &carried.kept_message(world.now, &name("mill")));
    carried.keep(
        world.now,
        KeptMachine {
            machine: name("mill"),
            state: KeptState {
                lockout: Some(KeptLockout { by: name("red"), emergency: true }),
                deferral: Some(KeptDeferral {
                    by: name("night"),
                    expires: world.now.wall,
                    remaining: Span::secs(90),
                }),
            },
        },
    );
    assert_described("kept", &carried.kept_message(world.now, &name("mill")));
    for number in 0..16 {
        carried.answered(&name("console"), &format!("a-{number}").into(), world.now.wall);
    }
    assert_described("answered", &carried.answered_message(world.now, &name("console")).unwrap());
    assert_described("answered", &carried.page_message(&name("console"), 0).unwrap());
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
    let request = json!({ "machine": name("mill").as_str(), "request": "off", "id": "7" });
    assert_described("request", &request);
    assert!(intake::parse_request(request.to_string().as_bytes()).is_ok());
}
