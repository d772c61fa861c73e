//! What could go wrong on a branch circuit: one more machine than the breaker bears is switched on, and the breaker
//! ends every job behind it.

use super::world::{World, plan};
use idlegate_engine::Former;
use idlegate_guard::{Cause, Decision, Switch};
use idlegate_plan::event::Name;
use idlegate_plan::{Circuit, MachineIx, OnCircuit, Plan};

/// A mill and a kiln on one circuit for 16 A × 230 V × 0.8 = 2,944 W.
fn mill_and_kiln(mill_watts: f64, kiln_watts: f64) -> Plan {
    let mut plan = plan();
    plan.shop.circuits = vec![Circuit {
        name: Name::new("bench").unwrap(),
        amperes: 16.0,
        volts: 230.0,
        continuous_share: 0.8,
    }];
    let mut kiln = plan.machines[0].clone();
    kiln.name = Name::new("kiln").unwrap();
    kiln.outlet.state.as_mut().unwrap().source.filter = "outlets/kiln/says".into();
    kiln.outlet.order.as_mut().unwrap().topic = "outlets/kiln/order".into();
    kiln.outlet.reach = None;
    kiln.signals[0].source.filter = "meters/kiln".into();
    plan.machines[0].circuit = Some(OnCircuit { circuit: 0, peak_watts: mill_watts });
    kiln.circuit = Some(OnCircuit { circuit: 0, peak_watts: kiln_watts });
    // In order of name.
    plan.machines.insert(0, kiln);
    for input in &mut plan.inputs {
        input.machines = vec![MachineIx(0), MachineIx(1)];
    }
    plan
}

fn on_at_the_mill_while_the_kiln_is(state: &str, mill_watts: f64) -> World {
    let mut world = World::under(mill_and_kiln(mill_watts, 2_000.0), &Former::default());
    world.says("outlets/mill/says", "off");
    if !state.is_empty() {
        world.says("outlets/kiln/says", state);
    }
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"on"}"#);
    world
}

#[test]
fn an_on_beyond_what_the_circuit_bears_is_refused() {
    for kiln in ["on", ""] {
        let world = on_at_the_mill_while_the_kiln_is(kiln, 1_000.0);
        assert_eq!(world.decision(), (Decision::Refused, "circuit-full"), "the kiln says {kiln:?}");
        assert_eq!(world.orders(), []);
    }
}

#[test]
fn an_on_within_what_the_circuit_bears_is_obeyed() {
    for (kiln, mill_watts) in [("off", 1_000.0), ("on", 944.0)] {
        let world = on_at_the_mill_while_the_kiln_is(kiln, mill_watts);
        assert_eq!(world.orders(), [(Switch::On, Cause::Plain)], "the kiln says {kiln:?}");
    }
}

#[test]
fn a_machine_on_its_way_to_on_counts_already() {
    let mut world = World::under(mill_and_kiln(1_000.0, 2_000.0), &Former::default());
    world.says("outlets/mill/says", "off");
    world.says("outlets/kiln/says", "off");
    world.says("idlegate/request/console", r#"{"machine":"kiln","request":"on"}"#);
    assert_eq!(world.orders(), [(Switch::On, Cause::Plain)]);
    world.says("idlegate/request/console", r#"{"machine":"mill","request":"on"}"#);
    assert_eq!(world.decision(), (Decision::Refused, "circuit-full"));
}
