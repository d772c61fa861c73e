//! Model checking of the very guard: one machine, its outlet, its messages and its people, every order of events.
//!
//! Each scene is a part of the shop's life small enough to be explored to its end: every state that can be reached is
//! reached, with orders lost, doubled and late, reports late or missing, crashes, a stopped program, trapped
//! detectors and a lost link among the events. Stepped clocks need none: no input of the guard carries a wall clock.
//! Times are relative to now and capped where the guard asks no further, so the states are finite. Liveness is written
//! as "within so many ticks". Afterwards one bug is planted for each claim, to show that the model can find it.

/// One property for each claim, of a state that says which of them it breaks.
macro_rules! claims {
    ($broken:expr) => {
        vec![
            claims!(@ OffOnlyWhenClear, $broken),
            claims!(@ OnOnlyWhenAsked, $broken),
            claims!(@ WindowIsHalfOpen, $broken),
            claims!(@ OneAnswerEach, $broken),
            claims!(@ TwoGestureWayOut, $broken),
            claims!(@ KeptSurvives, $broken),
            claims!(@ OffExpires, $broken),
            claims!(@ NewerWins, $broken),
            claims!(@ DutiesAreDone, $broken),
            claims!(@ CircuitHolds, $broken),
            claims!(@ ToldOnly, $broken),
            claims!(@ NobodyShutOut, $broken),
            claims!(@ ContactHolds, $broken),
        ]
    };
    (@ $claim:ident, $broken:expr) => {
        Property::always(Claim::$claim.words(), |_, state| ($broken)(state) != Some(Claim::$claim))
    };
}

mod books;
mod circuit;
mod coupled;
mod judge;
mod plants;
mod scenes;
mod world;

use std::fmt::Debug;
use std::hash::Hash;
use std::process::ExitCode;
use std::time::Instant;

use clap::Parser;
use idlegate_tests::form::Form;
use serde_json::{Value as Json, json};
use stateright::{Checker, HasDiscoveries, Model};

use books::Claim;
use circuit::Pair;
use plants::Plant;
use scenes::Scene;
use world::Shop;

/// Explores every order of events at one machine, and looks for bugs planted on purpose
#[derive(Parser)]
struct Args {
    /// Only a leader and its follower
    #[arg(long)]
    coupled: bool,
    #[command(flatten)]
    form: Form,
}

struct Explored {
    scene: &'static str,
    states: usize,
    depth: usize,
    complete: bool,
    broken: Vec<&'static str>,
    secs: f64,
}

fn main() -> anyhow::Result<ExitCode> {
    // This program is started again for each file that is to be compiled.
    if let Some(compiled) = idlegate_detectors::asked() {
        return Ok(compiled);
    }
    let Args { coupled, form } = Args::parse();
    if coupled {
        let sum = coupled::run(form.short)?;
        let holds = sum.broken.is_none() && sum.found == sum.planted;
        return Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE });
    }
    let mut scenes = scenes::all(form.short);
    let mut explored: Vec<Explored> =
        scenes.iter().map(|scene| explore(scene, Shop { scene: scene.clone(), plant: None })).collect();
    let shared = scenes::circuit(form.short);
    explored.push(explore(&shared, Pair::new(shared.clone(), None)));
    scenes.push(shared);
    let planted: Vec<(Plant, Claim, bool, usize)> = Plant::ALL.into_iter().map(find_plant).collect();
    let coupled = coupled::run(form.short)?;
    form.write(&figures(&explored, &planted, &coupled))?;
    let states: usize = explored.iter().map(|each| each.states).sum();
    let depth = explored.iter().map(|each| each.depth).max().unwrap_or(0);
    let closed = explored.iter().filter(|each| each.complete).count();
    let found = planted.iter().filter(|(_, _, found, _)| *found).count() + coupled.found;
    let planted = planted.len() + coupled.planted;
    let holds = explored.iter().all(|each| each.broken.is_empty())
        && coupled.broken.is_none()
        && found == planted
        && scenes.iter().zip(&explored).all(|(scene, each)| each.complete || scene.depth_max.is_some());
    println!(
        "model: {}: {states} states, depth {depth}, {closed} of {} scenes explored to their end, \
         {} claims hold; {} courses of a leader and its follower; {found} of {planted} planted bugs found",
        if holds { "ok" } else { "BROKEN" },
        explored.len(),
        Claim::ALL.len(),
        coupled.courses,
    );
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn explore<M>(scene: &Scene, model: M) -> Explored
where
    M: Model + Send + Sync + 'static,
    M::State: Clone + Debug + Hash + PartialEq + Send + Sync,
    M::Action: Clone + Debug + PartialEq,
{
    let begun = Instant::now();
    let mut checker = model.checker().threads(threads());
    if let Some(depth) = scene.depth_max {
        checker = checker.target_max_depth(depth);
    }
    let checker = checker.spawn_bfs().join();
    let explored = Explored {
        scene: scene.name,
        states: checker.unique_state_count(),
        depth: checker.max_depth(),
        complete: scene.depth_max.is_none() && checker.is_done(),
        broken: checker.discoveries().keys().copied().collect(),
        secs: begun.elapsed().as_secs_f64(),
    };
    let end = if explored.complete { "explored to the end" } else { "explored to this depth" };
    println!(
        "{:<22} {:>9} states, depth {:>3}, {end}, {:.1} s",
        explored.scene, explored.states, explored.depth, explored.secs
    );
    for (claim, path) in checker.discoveries() {
        println!("  BROKEN: {claim}");
        for action in path.into_actions() {
            println!("    {action:?}");
        }
    }
    explored
}

/// Breaks the guard, or what lies around it, in one way, and looks whether the claim that forbids it notices.
fn find_plant(plant: Plant) -> (Plant, Claim, bool, usize) {
    let claim = plant.breaks();
    let scene = scenes::for_plant(plant);
    let steps = if scene.shares_circuit {
        steps_to(claim, Pair::new(scene, Some(plant)))
    } else {
        steps_to(claim, Shop { scene, plant: Some(plant) })
    };
    let told = if steps > 0 { format!("found in {steps} steps") } else { "NOT FOUND".into() };
    println!("planted: {:<52} {told}", plant.words());
    (plant, claim, steps > 0, steps)
}

/// The shortest way to a state that breaks the claim; none is 0.
fn steps_to<M>(claim: Claim, model: M) -> usize
where
    M: Model + Send + Sync + 'static,
    M::State: Clone + Debug + Hash + PartialEq + Send + Sync,
    M::Action: Clone + Debug + PartialEq,
{
    let checker = model
        .checker()
        .threads(threads())
        .finish_when(HasDiscoveries::AnyOf([claim.words()].into()))
        .spawn_bfs()
        .join();
    checker.discovery(claim.words()).map_or(0, |path| path.into_actions().len())
}

fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

fn figures(explored: &[Explored], planted: &[(Plant, Claim, bool, usize)], coupled: &coupled::Sum) -> Json {
    let scenes = explored.iter().map(|each| {
        json!({
            "scene": each.scene, "states": each.states, "depth": each.depth, "complete": each.complete,
            "broken": each.broken.len(), "seconds": each.secs,
        })
    });
    let planted = planted.iter().map(|(plant, claim, found, steps)| {
        json!({ "bug": plant.words(), "claim": claim.words(), "found": found, "steps": steps })
    });
    json!({
        "scenes": scenes.collect::<Vec<_>>(), "planted": planted.collect::<Vec<_>>(),
        "coupled": {
            "courses": coupled.courses, "broken": coupled.broken, "planted": coupled.planted, "found": coupled.found,
        },
    })
}
