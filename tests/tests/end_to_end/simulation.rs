//! What could go wrong: the guard is right in every case somebody thought of, and wrong in a mixture that nobody did;
//! or the simulation that should find it proves nothing, because it cannot fail or cannot be repeated.
//!
//! Long runs: `cargo run --release --bin simulate`.

use idlegate_guard::time::Span;
use idlegate_tests::simulation::rules::Parts;
use idlegate_tests::simulation::{Carelessness, Life, live};

fn life(seed: u64, hours: u64) -> Life {
    let lasts = Span::secs(hours * 3_600);
    Life { seed, lasts, faults: true, native: true, careless: None, plant: None, favours: None, print: false }
}

#[test]
fn a_few_hours_of_workshop_with_faults_break_no_prohibition_and_leave_no_duty_undone() {
    let parts = Parts::new().unwrap();
    let mut held_longer = 0;
    for seed in 1..=6 {
        // Sandboxed for some, for speed not for all.
        let outcome = live(&parts, Life { native: seed > 2, ..life(seed, 4) }).unwrap();
        assert!(
            outcome.violations.is_empty(),
            "seed {seed}: {:#?}\n{:#?}",
            outcome.violations,
            outcome.before
        );
        assert!(outcome.figures.jobs_protected > 0, "seed {seed} put nothing to the test");
        assert_eq!(outcome.figures.emergencies_refused, 0);
        held_longer += outcome.figures.held_longer;
    }
    assert!(held_longer > 0, "no machine that went back to work was asked to go off in another such silence");
}

#[test]
fn a_workshop_without_faults_loses_no_job_but_by_force_or_to_a_meter_that_had_not_looked_yet() {
    let parts = Parts::new().unwrap();
    for seed in 1..=3 {
        let outcome = live(&parts, Life { faults: false, ..life(seed, 6) }).unwrap();
        assert!(outcome.violations.is_empty(), "seed {seed}: {:#?}", outcome.violations);
        assert_eq!(outcome.figures.cut("meter lied") + outcome.figures.cut("by another route"), 0);
    }
}

#[test]
fn the_same_seed_gives_the_same_trace_and_another_seed_another() {
    let parts = Parts::new().unwrap();
    let hash = |seed| live(&parts, life(seed, 2)).unwrap().hash;
    assert_eq!(hash(7), hash(7));
    assert_ne!(hash(7), hash(8));
}

#[test]
fn the_oracle_notices_every_careless_program() {
    let parts = Parts::new().unwrap();
    for careless in Carelessness::ALL {
        let noticed = (1..=6).any(|seed| {
            let life = Life { careless: Some(careless), ..life(seed, 24) };
            !live(&parts, life).unwrap().violations.is_empty()
        });
        assert!(noticed, "{careless:?}");
    }
}

/// Nobody is told that something was done where nothing was; the oracle judges every sentence.
#[test]
fn in_shadow_mode_whatever_is_asked_everything_is_said_as_what_would_have_been() {
    let mut parts = Parts::new().unwrap();
    for machine in &mut parts.plan.machines {
        machine.policy.shadow = true;
    }
    let mut decisions = std::collections::BTreeMap::new();
    for seed in 1..=4 {
        let outcome = live(&parts, life(seed, 6)).unwrap();
        assert!(outcome.violations.is_empty(), "seed {seed}: {:#?}", outcome.violations);
        assert_eq!(outcome.figures.emergencies_refused, 0);
        for (decision, count) in outcome.figures.decisions {
            *decisions.entry(decision).or_insert(0) += count;
        }
    }
    for decision in ["acted", "nothing-to-do", "held", "deferred", "refused", "ignored"] {
        assert!(decisions.get(decision).is_some_and(|count| *count > 20), "{decision}: {decisions:?}");
    }
}
