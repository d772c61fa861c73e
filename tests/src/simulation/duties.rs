//! What must happen, once everything works again: each within a stated time, in the world and not on paper.

use idlegate_guard::time::Span;
use idlegate_guard::{RequestKind, Switch};

use super::figures::Figures;
use super::latch::LATCHED;
use super::people::Way;
use super::rules::PLACES;
use super::world::World;
use idlegate_demo::workshop::{MeterFault, Truth};

/// An order, its way, the relay, the report, and one loss.
const SWITCHED_WITHIN: Span = Span::secs(6);
/// The link is back, everything has reported.
const SETTLED_WITHIN: Span = Span::secs(30);

pub fn demand(world: &mut World<'_>) {
    if !world.oracle.violations.is_empty() {
        return;
    }
    world.heal();
    world.run_until(world.now + SETTLED_WITHIN);
    for place in places(world) {
        world.console(place, RequestKind::Cancel, Span::ZERO, Way::Live);
        world.console(place, RequestKind::Unlock, Span(100), Way::Live);
    }
    world.run_until(world.now + Span::secs(10));
    on_switches_on(world);
    two_gestures_switch_off(world, false);
    on_switches_on(world);
    two_gestures_switch_off(world, true);
    on_switches_on(world);
    two_requests_from_afar_switch_off(world);
    on_switches_on(world);
    a_deferral_fires(world);
    on_switches_on(world);
    off_of_an_idle_machine_switches_off(world);
    on_switches_on(world);
    a_contact_that_is_in_keeps_them_off(world);
    on_switches_on(world);
    an_emergency_takes_effect(world);
}

fn a_contact_that_is_in_keeps_them_off(world: &mut World<'_>) {
    world.turn_latch(true);
    world.run_until(world.now + SWITCHED_WITHIN);
    for kind in [RequestKind::Unlock, RequestKind::On] {
        LATCHED.into_iter().for_each(|place| world.console(place, kind, Span(100), Way::Live));
        world.run_until(world.now + SWITCHED_WITHIN);
    }
    for place in LATCHED {
        expect(world, "while a contact is in, nothing comes on", place, Switch::Off);
    }
    world.turn_latch(false);
    world.run_until(world.now + Span::secs(2));
    LATCHED.into_iter().for_each(|place| world.console(place, RequestKind::Unlock, Span::ZERO, Way::Live));
    world.run_until(world.now + Span::secs(2));
}

/// A machine in shadow mode has no duties but one.
fn places(world: &World<'_>) -> Vec<usize> {
    let shadowed = |place: &usize| world.plan.machines[world.oracle.watched[*place].index].policy.shadow;
    (0..PLACES.len()).filter(|place| !shadowed(place)).collect()
}

fn expect(world: &mut World<'_>, duty: &'static str, place: usize, switch: Switch) {
    let relay = world.station(place).outlet.relay();
    Figures::count(&mut world.figures.duties, duty);
    if relay != switch {
        let (name, is) = (PLACES[place].machine, relay.word());
        world.oracle.violated(format!("duty: {duty}: {name} is still {is}"));
    }
}

fn ask_all(world: &mut World<'_>, kind: RequestKind) {
    for place in places(world) {
        world.console(place, kind, Span::ZERO, Way::Live);
    }
}

fn on_switches_on(world: &mut World<'_>) {
    ask_all(world, RequestKind::On);
    world.run_until(world.now + SWITCHED_WITHIN);
    for place in places(world) {
        expect(world, "on switches on", place, Switch::On);
    }
    // Starting up, and the first reading of it.
    world.run_until(world.now + Span::secs(30));
}

/// A machine at work, its meter silent and its detector stopping if need be: off is held, force switches off.
fn two_gestures_switch_off(world: &mut World<'_>, blind: bool) {
    let places = places(world);
    for place in &places {
        let lasts = Span::secs(3_600);
        world.start_job(*place, lasts);
        if blind {
            world.station(*place).meter.fault = Some(MeterFault::Silent);
        }
    }
    world.broken.detectors_stop = blind;
    // Longer than any reading counts, and than any pause of a job.
    world.run_until(world.now + Span::secs(90));
    ask_all(world, RequestKind::Off);
    world.run_until(world.now + Span::secs(3));
    for place in &places {
        if world.station(*place).truth() == Truth::Working {
            expect(world, "off of a working machine is held", *place, Switch::On);
        }
    }
    ask_all(world, RequestKind::ForceOff);
    world.run_until(world.now + SWITCHED_WITHIN);
    for place in &places {
        expect(world, "two gestures switch off", *place, Switch::Off);
        world.station(*place).meter.fault = None;
    }
    world.broken.detectors_stop = false;
}

/// The second brings the token of the first one's answer.
fn two_requests_from_afar_switch_off(world: &mut World<'_>) {
    let places = places(world);
    for place in &places {
        world.start_job(*place, Span::secs(3_600));
    }
    // The meter has looked.
    world.run_until(world.now + Span::secs(90));
    for place in &places {
        world.phone(*place, RequestKind::Off, Span::ZERO, None);
    }
    world.run_until(world.now + Span::secs(2) + SWITCHED_WITHIN);
    for place in &places {
        expect(world, "two requests from afar switch off", *place, Switch::Off);
    }
}

fn a_deferral_fires(world: &mut World<'_>) {
    let places = places(world);
    for place in &places {
        world.start_job(*place, Span::secs(120));
    }
    world.run_until(world.now + Span::secs(60));
    ask_all(world, RequestKind::OffOnceIdle);
    // The rest of the job, the longest running on, the longest dwell, settling, notice.
    let dwell = PLACES.iter().map(|place| place.dwell).max().unwrap_or_default();
    world.run_until(world.now + Span::secs(60 + 150 + 10 + 30 + 90) + dwell + held_longer(world));
    for place in &places {
        expect(world, "a deferral fires", *place, Switch::Off);
    }
}

/// A machine that went back to work after it counted as idle is held beyond that silence.
fn held_longer(world: &World<'_>) -> Span {
    let holds = world.oracle.watched.iter().map(|watched| watched.resumption.hold_max());
    holds.max().unwrap_or_default()
}

fn off_of_an_idle_machine_switches_off(world: &mut World<'_>) {
    let dwell = PLACES.iter().map(|place| place.dwell).max().unwrap_or_default();
    world.run_until(world.now + dwell + Span::secs(60) + held_longer(world));
    ask_all(world, RequestKind::Off);
    world.run_until(world.now + SWITCHED_WITHIN);
    for place in places(world) {
        expect(world, "off of an idle machine switches off", place, Switch::Off);
    }
}

/// Everything off, nothing on again, neither by asking nor by unlocking.
fn an_emergency_takes_effect(world: &mut World<'_>) {
    for place in places(world) {
        world.start_job(place, Span::secs(3_600));
    }
    world.press_red_button();
    world.run_until(world.now + SWITCHED_WITHIN);
    for place in 0..PLACES.len() {
        expect(world, "an emergency switches off", place, Switch::Off);
    }
    ask_all(world, RequestKind::On);
    world.run_until(world.now + Span::secs(8));
    ask_all(world, RequestKind::Unlock);
    world.run_until(world.now + Span::secs(20));
    for place in 0..PLACES.len() {
        expect(world, "after an emergency nothing comes on by itself", place, Switch::Off);
    }
}
