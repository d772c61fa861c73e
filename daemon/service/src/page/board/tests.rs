//! Could go wrong: what has changed is not told, what has ended stays, or what nobody speaks of looks fresh.

use super::*;
use idlegate_messages::{Health, json};
use serde_json::Value as Json;

fn turned(machines: &[&str], link_is_up: bool) -> Fact {
    let guarding = Guarding {
        machines: machines.iter().map(|name| (*name).to_owned()).collect(),
        title: "Shed".to_owned(),
        journal: Some("ok".to_owned()),
        ..Guarding::default()
    };
    Fact::Turned(Box::new(Turned { link_is_up, health: Health::Guarding(Box::new(guarding)) }))
}

fn mill(state: &'static str, incidents: &[&'static str]) -> Fact {
    Fact::Machine(Box::new(MachineStatus {
        machine: "mill".to_owned(),
        title: "Mill".to_owned(),
        state: state.into(),
        outlet: "on".into(),
        incidents: incidents.iter().map(|kind| (*kind).into()).collect(),
        ..MachineStatus::default()
    }))
}

fn shown(board: &mut Board, now: i64) -> Json {
    match board.due(WallTime(now)) {
        Due::Whole(whole) => json(&whole),
        Due::Changed(changed) => json(&changed),
        Due::Nothing => Json::Null,
    }
}

#[test]
fn only_what_has_changed_is_told_again() {
    let mut board = Board::default();
    board.take(turned(&["mill"], true), WallTime(0));
    board.take(mill("busy", &[]), WallTime(0));
    assert_eq!(shown(&mut board, 0)["machines"][0]["sentence"], "Mill is busy.");
    board.take(mill("busy", &[]), WallTime(1_000));
    assert_eq!(shown(&mut board, 1_000), Json::Null);
    board.take(mill("idle", &[]), WallTime(2_000));
    let changed = shown(&mut board, 2_000);
    assert_eq!(changed["machines"][0]["since"], 2_000);
    assert_eq!(changed["headline"], "1 machine is on and idle.");
}

#[test]
fn a_machine_that_nobody_speaks_of_is_shown_as_that() {
    let mut board = Board::default();
    board.take(turned(&["mill"], true), WallTime(0));
    board.take(mill("busy", &[]), WallTime(0));
    shown(&mut board, 0);
    board.take(turned(&["mill"], true), WallTime(QUIET_MILLIS + 1));
    assert_eq!(shown(&mut board, 0)["machines"][0]["quiet"], true);
    board.take(mill("busy", &[]), WallTime(QUIET_MILLIS + 2));
    assert_eq!(shown(&mut board, 0)["machines"][0]["quiet"], false);
}

#[test]
fn an_incident_is_told_in_full_as_long_as_it_lasts() {
    let mut board = Board::default();
    board.take(turned(&["mill"], true), WallTime(0));
    board.take(mill("idle", &["not-confirmed"]), WallTime(0));
    let sentence = "Mill may not have switched. Go and look at it.";
    let told = Told {
        kind: "not-confirmed".into(),
        machines: vec!["mill".to_owned()],
        sentence: sentence.to_owned(),
        ..Told::default()
    };
    assert_eq!(
        shown(&mut board, 0)["machines"][0]["incidents"][0],
        "Mill: its outlet has not confirmed the last order."
    );
    board.take(Fact::Incident(Box::new(told)), WallTime(1));
    let changed = shown(&mut board, 1);
    assert_eq!(changed["machines"][0]["incidents"][0], sentence);
    assert_eq!(changed["lately"][0]["sentence"], sentence);
    board.take(mill("idle", &[]), WallTime(2));
    assert_eq!(shown(&mut board, 2)["machines"][0]["incidents"], json(&Vec::<String>::new()));
}

#[test]
fn a_machine_that_the_rules_have_no_more_is_gone_and_a_lost_broker_is_said() {
    let mut board = Board::default();
    board.take(turned(&["mill"], true), WallTime(0));
    board.take(mill("busy", &[]), WallTime(0));
    shown(&mut board, 0);
    board.take(turned(&["kiln"], false), WallTime(1));
    let whole = shown(&mut board, 1);
    assert_eq!(whole["machines"], json(&Vec::<String>::new()));
    assert!(whole["alerts"][0].as_str().unwrap().contains("no connection to the broker"));
}
