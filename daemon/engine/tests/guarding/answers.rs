//! Somebody who may only ask chooses where the answer goes, and it is published with the rights of the guard.

use super::world::{World, plan};
use idlegate_engine::{AnswerWithheld, Effect};
use idlegate_guard::{Decision, RequestKind};
use idlegate_plan::event::{Event, Message, Verdict};
use idlegate_plan::{Plan, RefreshTopic};

fn shop() -> Plan {
    let mut plan = plan();
    plan.machines[0].outlet.refresh =
        Some(RefreshTopic { topic: "outlets/mill/tell".into(), payload: String::new() });
    plan.inputs[3].source = match plan.inputs[3].source.clone() {
        idlegate_plan::InputSource::Topic { source, event_id, named } => idlegate_plan::InputSource::Topic {
            source: idlegate_plan::Source { filter: "panels/+/asks".into(), ..source },
            event_id,
            named,
        },
        other => other,
    };
    plan.inputs[1].answers = vec!["panels/phone/#".into()];
    plan
}

fn asked(world: &mut World, answer_on: &str) -> (Decision, Option<String>, Vec<AnswerWithheld>) {
    world.event(Event::Message(Message {
        response_topic: Some(answer_on.into()),
        ..World::message("idlegate/request/console", r#"{"machine":"mill","request":"cancel"}"#)
    }));
    let withheld = world.effects.iter().filter_map(|effect| match effect {
        Effect::AnswerWithheld(told) => Some(told.clone()),
        _ => None,
    });
    let withheld = withheld.collect();
    let decided = world.decisions()[0];
    assert_eq!(decided.request, Some(RequestKind::Cancel), "the request is judged in any case");
    (decided.decision, decided.reply.as_ref().map(|reply| reply.topic.to_string()), withheld)
}

#[test]
fn an_answer_goes_only_where_nobody_acts_on_it() {
    for (topic, allowed) in [
        ("idlegate/answer/console", true),
        ("idlegate/answer/console/phone/7", true),
        ("panels/phone/answer", true),
        ("panels/phone", true),
        // Another input's, and what only begins alike.
        ("idlegate/answer/button/7", false),
        ("idlegate/answer/console-2/7", false),
        ("idlegate/answer", false),
        ("panels/wall/answer", false),
        // Read by the rules, though the input's own answers allow it.
        ("panels/phone/asks", false),
        ("outlets/mill/order", false),
        ("outlets/mill/says", false),
        ("outlets/mill/reach", false),
        ("outlets/mill/tell", false),
        ("meters/mill", false),
        ("buttons/mill", false),
        ("contacts/red", false),
        ("idlegate/request/console", false),
        ("idlegate/kept/mill", false),
        ("idlegate/health", false),
        ("idlegate", false),
        ("$SYS/broker/load", false),
        ("panels/phone/+", false),
        ("panels/phone/#", false),
        ("", false),
    ] {
        let mut world = World::of(shop());
        world.says("outlets/mill/says", "on");
        world.reads(Verdict::Busy);
        let (decision, answered_on, withheld) = asked(&mut world, topic);
        assert_eq!(decision, Decision::NothingToDo, "{topic}");
        assert_eq!(answered_on.as_deref(), allowed.then_some(topic), "{topic}");
        assert_eq!(withheld.len(), usize::from(!allowed), "{topic}: {withheld:?}");
    }
}

#[test]
fn what_another_hall_reads_is_no_place_for_answers() {
    let mut two = shop();
    let mut kiln = two.machines[0].clone();
    kiln.name = super::world::name("kiln");
    kiln.outlet.order.as_mut().unwrap().topic = "panels/phone/kiln".into();
    let [north, south] = ["north", "south"].map(super::world::name);
    (two.machines[0].site, kiln.site) = (Some(north.clone()), Some(south.clone()));
    two.machines.push(kiln);
    two.shop.sites = vec![north.clone(), south];
    let mut world = World::of(two.at_site(Some(&north)).unwrap());
    assert_eq!(asked(&mut world, "panels/phone/kiln").1, None, "the order topic of another hall's machine");
    assert_eq!(asked(&mut world, "panels/phone/7").1.as_deref(), Some("panels/phone/7"));
}
