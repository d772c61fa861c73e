//! Days of workshop life in seconds, from a seed: the real engine and the real detectors, a workshop, a broker and
//! people that are simulated, and an oracle that knows the truth.
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`rules`] | the rules of the simulated workshop, compiled as any others |
//! | [`world`] | the virtual clock and everything that happens in its order |
//! | [`wire`], `delivery`, `switching` | the simulated broker: what it loses, delays, repeats and lets expire |
//! | `program` | its starts and ends, and new rules for it |
//! | [`detecting`] | detectors in the sandbox or native, with late answers and stops to order |
//! | `latch` | a contact with a position |
//! | `afar` | requests from a phone, and tokens |
//! | [`people`] | presses, holds, jobs, and the errors of hands |
//! | [`fault`], [`faults`] | what breaks, when, and for how long |
//! | [`careless`] | programs that do it wrong, to see that the oracle notices |
//! | [`oracle`] | what must never happen, judged without the guard's code |
//! | [`judged`] | what an independent judge is told, who shares nothing with the oracle |
//! | [`plants`] | mistakes between wire and engine, to see that the judge finds them |
//! | `job_court` | whether each job is told of once, with its true end |
//! | [`duties`] | what must happen once everything works again |
//! | [`figures`], [`trace`] | what is counted, and what can be replayed |

mod afar;
pub mod careless;
mod delivery;
pub mod detecting;
pub mod duties;
pub mod fault;
pub mod faults;
pub mod figures;
mod job_court;
pub mod judged;
mod latch;
pub mod oracle;
pub mod people;
pub mod plants;
mod program;
pub mod rules;
mod switching;
pub mod trace;
pub mod wire;
pub mod world;

use anyhow::Result;
use idlegate_guard::time::Span;

pub use careless::Carelessness;
pub use figures::Figures;
pub use plants::Plant;
use world::World;

use crate::judge::Tally;

/// One life of a workshop.
#[derive(Clone, Copy, Debug)]
pub struct Life {
    pub seed: u64,
    pub lasts: Span,
    pub faults: bool,
    /// The built-in detector as ordinary Rust instead of in its sandbox.
    pub native: bool,
    pub careless: Option<Carelessness>,
    pub plant: Option<Plant>,
    /// What this mistake would make harm of happens more often than other things.
    pub favours: Option<Plant>,
    pub print: bool,
}

/// How it went.
#[derive(Debug)]
pub struct Outcome {
    pub seed: u64,
    pub figures: Figures,
    pub violations: Vec<String>,
    /// What the independent judge counted and found.
    pub judged: Tally,
    /// The last notable things before the first violation.
    pub before: Vec<String>,
    /// Of everything that happened: the same seed gives the same.
    pub hash: u64,
}

/// Lives one life through: first with any faults and the prohibitions checked, then healed and held to the duties.
pub fn live(parts: &rules::Parts, life: Life) -> Result<Outcome> {
    let mut world = World::new(parts, life)?;
    world.run_until(world::BEGIN + life.lasts);
    if life.careless.is_none() && life.plant.is_none() {
        duties::demand(&mut world);
    }
    Ok(world.finish())
}
