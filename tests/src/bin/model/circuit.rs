//! Two machines on one circuit that bears one of them: each with its own guard, and the sum that lies between them.

use idlegate_engine::Load;
use idlegate_guard::{Input, Switch};
use idlegate_plan::event::Name;
use idlegate_plan::{Circuit, MachineIx, OnCircuit};
use stateright::{Model, Property};

use crate::books::{Books, Claim, Room};
use crate::plants::Plant;
use crate::scenes::Scene;
use crate::world::{LATE, NOW, SLEEP, Shop, Step, World};

pub(crate) struct Pair {
    shop: Shop,
    circuits: [Circuit; 1],
    places: [Option<OnCircuit>; 2],
}

/// One of two machines does something, or both go through the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Move {
    One(usize, Step),
    Both(Step),
}

impl Pair {
    pub(crate) fn new(scene: Scene, plant: Option<Plant>) -> Pair {
        let name = Name::new("bench").expect("a plain word");
        let place = OnCircuit { circuit: 0, peak_watts: 2_000.0 };
        Pair {
            shop: Shop { scene, plant },
            circuits: [Circuit { name, amperes: 16.0, volts: 230.0, continuous_share: 0.8 }],
            places: [Some(place); 2],
        }
    }

    /// As the engine does it: whoever asks, the sum is made anew.
    fn count(&self, pair: &mut [World; 2], asked: usize) {
        let seen: [bool; 2] = std::array::from_fn(|index| match self.shop.plant {
            Some(Plant::CircuitUncounted) => false,
            Some(Plant::CircuitOnTheWay) => pair[index].guard.outlet() != Some(Switch::Off),
            Some(_) | None => pair[index].guard.may_draw(NOW),
        });
        let load = Load::with(&self.circuits, self.places, MachineIx(asked), |MachineIx(other)| seen[other]);
        let has_room = load.is_none_or(|load| load.has_room());
        pair[asked].books.room = room_beside(&pair[1 - asked].books);
        self.shop.give(&mut pair[asked], Step::Asks(0), Input::CircuitRoom(has_room));
    }
}

fn room_beside(other: &Books) -> Room {
    if other.may_be_on() {
        Room::None
    } else if other.flying_on.is_some() {
        Room::Perhaps
    } else {
        Room::Ample
    }
}

impl Model for Pair {
    type State = [World; 2];
    type Action = Move;

    fn init_states(&self) -> Vec<[World; 2]> {
        let alone = self.shop.init_states().remove(0);
        vec![[alone.clone(), alone]]
    }

    fn actions(&self, pair: &[World; 2], moves: &mut Vec<Move>) {
        if pair.iter().any(|world| world.broken.is_some()) {
            return;
        }
        let mut steps = Vec::new();
        for (index, world) in pair.iter().enumerate() {
            steps.clear();
            self.shop.actions(world, &mut steps);
            let own = steps.iter().filter(|step| !is_common(**step));
            moves.extend(own.map(|step| Move::One(index, *step)));
        }
        // The clock, the program and the link are the same for both.
        moves.extend(steps.iter().filter(|step| is_common(**step)).map(|step| Move::Both(*step)));
    }

    fn next_state(&self, pair: &[World; 2], next: Move) -> Option<[World; 2]> {
        let mut pair = pair.clone();
        match next {
            Move::One(index, step) => {
                if matches!(step, Step::Asks(_)) {
                    self.count(&mut pair, index);
                }
                self.shop.happen(&mut pair[index], step);
                let world = &mut pair[index];
                world.guard = world.guard.seen_from(world.moment(step), NOW, LATE);
            }
            Move::Both(step) => {
                for world in &mut pair {
                    self.shop.happen(world, step);
                    world.guard = world.guard.seen_from(world.moment(step), NOW, LATE);
                    if step == Step::Crash {
                        // Until the program is back, and has heard from the outlets, an order lives no more.
                        world.books.pass(SLEEP, true);
                    }
                }
            }
        }
        for world in &mut pair {
            world.books.room = Room::Ample;
        }
        Some(pair)
    }

    fn properties(&self) -> Vec<Property<Pair>> {
        claims!(|pair: &[World; 2]| pair[0].broken.or(pair[1].broken))
    }
}

fn is_common(step: Step) -> bool {
    match step {
        Step::Tick | Step::Sleep | Step::Crash | Step::Link(_) => true,
        Step::Asks(_)
        | Step::Says(_)
        | Step::SaysLate
        | Step::Arrives
        | Step::Reports(_)
        | Step::ReportsLate
        | Step::Unreachable
        | Step::Permit(_)
        | Step::Contact(_)
        | Step::Found => false,
    }
}
