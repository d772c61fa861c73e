//! A detector that stops is told of as what it is, once, and not in the words of a meter that fell silent.

use super::published::assert_described;
use super::world::World;
use idlegate_engine::{DetectorStopped, Effect, HowBad, Subject};
use idlegate_guard::time::Span;
use idlegate_messages::effects::{messages, sentences};
use idlegate_plan::MachineIx;
use idlegate_plan::event::{DetectorFault, Verdict};

const CRASH: &str = "observe panicked: index out of bounds (src/lib.rs:42)";

fn crash() -> DetectorFault {
    DetectorFault::Stopped(CRASH.into())
}

fn told(world: &World) -> Option<&DetectorStopped> {
    world.effects.iter().find_map(|effect| match effect {
        Effect::DetectorStopped(told) => Some(told),
        _ => None,
    })
}

fn sentence(world: &World) -> Option<String> {
    let told = told(world)?;
    let sentence = sentences::detector_stopped(told, &std::collections::BTreeMap::new());
    let message = messages::detector_stopped(told, &sentence);
    assert_described("incident", &message);
    assert_described("announcement", &message);
    Some(sentence)
}

fn is_open(world: &World) -> bool {
    world.engine.status(world.now.moment, MachineIx(0)).incidents.contains(&Subject::DetectorStopped.word())
}

/// Half a second later it is shown another reading.
fn fails(world: &mut World, fault: DetectorFault) {
    world.wait(Span(500));
    world.says("meters/mill", "12");
    world.detector_answers(Err(fault));
}

fn answers_for(world: &mut World, span: Span) {
    for _ in 0..span.0 / 5_000 {
        world.wait(Span::secs(5));
        world.reads(Verdict::Idle);
    }
}

#[test]
fn a_crash_is_told_at_once_and_once_and_so_is_its_end() {
    let mut world = World::on_and(Verdict::Idle);
    fails(&mut world, crash());
    assert_eq!(
        sentence(&world).as_deref(),
        Some(
            "Mill: its detector power-threshold stopped: observe panicked: index out of bounds (src/lib.rs:42). Until it \
             works, the machine counts as busy."
        )
    );
    assert!(told(&world).is_some_and(|told| told.aloud) && is_open(&world));
    let stopped = world.engine.stopped_detectors();
    assert_eq!(stopped.len(), 1);
    assert_eq!((stopped[0].machine.as_str(), stopped[0].why.as_str()), ("mill", CRASH));
    for _ in 0..3 {
        fails(&mut world, crash());
        assert_eq!(told(&world), None, "the same incident");
    }
    world.wait(Span::secs(1));
    world.reads(Verdict::Idle);
    assert!(world.engine.stopped_detectors().is_empty() && is_open(&world), "it may stumble again");
    answers_for(&mut world, Span::secs(60));
    assert_eq!(sentence(&world).as_deref(), Some("Mill: its detector power-threshold works again."));
    assert!(!is_open(&world));
}

#[test]
fn one_that_stops_every_other_minute_is_not_read_out_every_other_minute() {
    let mut world = World::on_and(Verdict::Idle);
    let mut aloud = 0;
    for _ in 0..9 {
        fails(&mut world, crash());
        aloud += told(&world).map_or(0, |told| u32::from(told.aloud));
        answers_for(&mut world, Span::secs(65));
    }
    assert_eq!(aloud, 1);
}

#[test]
fn to_be_taken_out_of_use_is_worse_and_is_told_again() {
    let mut world = World::on_and(Verdict::Idle);
    fails(&mut world, crash());
    fails(&mut world, DetectorFault::Quarantined(CRASH.into()));
    let told = told(&world).unwrap();
    assert!((told.how_bad, told.aloud, told.over) == (HowBad::TakenOut, true, false), "{told:?}");
    assert_eq!(
        sentence(&world).as_deref(),
        Some(
            "Mill: its detector power-threshold kept stopping and was taken out of use until its file changes: observe \
             panicked: index out of bounds (src/lib.rs:42). Until it works, the machine counts as busy."
        )
    );
}

#[test]
fn too_much_to_do_is_no_crash() {
    let mut world = World::on_and(Verdict::Idle);
    fails(&mut world, DetectorFault::FellBehind("5 readings were lost; it starts over".into()));
    assert_eq!(told(&world), None);
    let reasons = world.engine.status(world.now.moment, MachineIx(0)).reasons.join("; ");
    assert_eq!(reasons, "its detector fell behind: 5 readings were lost; it starts over");
}
