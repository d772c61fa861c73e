//! What could go wrong: a model that no real meter would show, so that a guard proved on it proves nothing.

use super::*;
use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, MachineModel, Truth};
use idlegate_guard::time::{Moment, Span};

const SEEDS: std::ops::Range<u64> = 0..20;

fn kinds() -> Vec<(&'static str, Box<dyn Character>)> {
    vec![
        ("printer", Box::new(FilamentPrinter::default())),
        ("laser", Box::new(LaserCutter::default())),
        ("mill", Box::new(Mill::default())),
        ("kiln", Box::new(Kiln::at(890.0))),
        ("extractor", Box::new(DustExtractor)),
    ]
}

fn powered(character: Box<dyn Character>, seed: u64) -> MachineModel {
    let mut machine = MachineModel::new(character, Chance::new(seed), Moment(0));
    machine.power(true, Moment(0));
    machine.advance(Moment(60_000));
    assert_eq!(machine.truth(), Truth::Idle);
    machine
}

/// The longest time in a row that a machine at work draws less than `watts`.
fn longest_quiet(machine: &mut MachineModel, watts: f64, job: Span) -> Span {
    let start = Moment(60_000);
    assert!(machine.start_job(job, start));
    let mut longest = Span::ZERO;
    let mut quiet_since = None;
    for millis in (0..job.0).step_by(100) {
        let now = start + Span(millis);
        machine.advance(now);
        assert_eq!(machine.truth(), Truth::Working);
        quiet_since = if machine.watts() < watts { quiet_since.or(Some(now)) } else { None };
        longest = longest.max(quiet_since.map_or(Span::ZERO, |since| now.since(since)));
    }
    longest
}

#[test]
fn an_idle_printer_stays_near_30_w_and_below_40_w() {
    for seed in SEEDS {
        let mut machine = powered(Box::new(FilamentPrinter::default()), seed);
        for second in 60..4000 {
            machine.advance(Moment(second * 1000));
            assert!((27.0..34.0).contains(&machine.watts()), "{} W, seed {seed}", machine.watts());
        }
    }
}

#[test]
fn a_working_machine_looks_idle_no_longer_than_its_kind_says() {
    type Case = (fn() -> Box<dyn Character>, f64, Span);
    let cases: [Case; 4] = [
        (|| Box::new(FilamentPrinter::default()), 35.0, FilamentPrinter::QUIET_MAX),
        (|| Box::new(LaserCutter::default()), 60.0, Span::ZERO),
        (|| Box::new(Mill::default()), 80.0, Mill::QUIET_MAX),
        (|| Box::new(Kiln::at(890.0)), 60.0, Kiln::QUIET_MAX),
    ];
    for (kind, quiet_watts, quiet_max) in cases {
        let longest = SEEDS
            .map(|seed| longest_quiet(&mut powered(kind(), seed), quiet_watts, Span::secs(7200)))
            .max()
            .unwrap_or_default();
        assert!(longest <= quiet_max, "{longest} quiet in {:?}, at most {quiet_max} said", kind());
        // A model that never dips would not test the dwell at all.
        assert!(longest.0 >= quiet_max.0 * 3 / 4, "{longest} quiet in {:?}, {quiet_max} said", kind());
    }
}

#[test]
fn power_off_takes_the_draw_and_the_job_and_energy_only_grows() {
    for (name, character) in kinds() {
        let mut machine = powered(character, 3);
        assert!(machine.start_job(Span::secs(600), Moment(61_000)), "{name}");
        let mut before = machine.joules();
        for second in 61..400 {
            machine.advance(Moment(second * 1000));
            assert!(machine.joules() >= before && machine.watts() >= 0.0, "{name}");
            before = machine.joules();
        }
        machine.power(false, Moment(400_000));
        assert_eq!((machine.truth(), machine.watts(), machine.jobs().cut), (Truth::Off, 0.0, 1), "{name}");
        let at_off = machine.joules();
        machine.advance(Moment(4_000_000));
        assert_eq!(machine.joules(), at_off, "{name}");
        assert!(!machine.start_job(Span::secs(60), Moment(4_000_001)), "{name} worked without power");
    }
}

#[test]
fn a_finished_job_is_not_a_cut_one_and_what_runs_on_ends_in_idle() {
    for (name, character) in kinds() {
        let runs_on = character.runs_on_for(Span::secs(60));
        let mut machine = powered(character, 5);
        assert!(machine.start_job(Span::secs(60), Moment(60_000)));
        machine.advance(Moment(120_000));
        assert_eq!((machine.jobs().done, machine.jobs().cut), (1, 0), "{name}");
        let expected = if runs_on == Span::ZERO { Truth::Idle } else { Truth::RunningOn };
        assert_eq!(machine.truth(), expected, "{name}");
        machine.advance(Moment(120_000) + runs_on);
        assert_eq!(machine.truth(), Truth::Idle, "{name}");
    }
}

#[test]
fn a_start_up_spike_is_seen_and_over_soon() {
    let mut machine = MachineModel::new(Box::new(FilamentPrinter::default()), Chance::new(1), Moment(0));
    machine.power(true, Moment(0));
    assert!(machine.watts() > 150.0);
    machine.advance(Moment(1_000));
    assert!(machine.watts() < 60.0);
    let mut mill = powered(Box::new(Mill::default()), 1);
    assert!(mill.start_job(Span::secs(60), Moment(60_000)));
    assert!(mill.watts() > 2000.0, "no inrush: {} W", mill.watts());
    mill.advance(Moment(60_400));
    assert!(mill.watts() < 1500.0);
}

#[test]
fn the_kiln_cools_by_newtons_law_however_time_is_cut_up() {
    let closed_form = |secs: f64| 20.0 + (900.0 - 20.0) * (-secs / Kiln::COOLING_SECS).exp();
    for step_millis in [100, 7_777, 60_000, 3_600_000] {
        let mut machine = MachineModel::new(Box::new(Kiln::at(900.0)), Chance::new(1), Moment(0));
        let mut now = 0;
        while now < 4 * 3_600_000 {
            now += step_millis;
            machine.advance(Moment(now));
            let expected = closed_form(f64::from(u32::try_from(now).unwrap()) / 1000.0);
            let celsius = machine.temperature().unwrap();
            assert!((celsius - expected).abs() < 1e-6, "{celsius} °C, the law says {expected} °C");
        }
    }
}

#[test]
fn a_firing_kiln_keeps_its_temperature() {
    let mut machine = powered(Box::new(Kiln::at(900.0)), 1);
    assert!(machine.start_job(Span::secs(4 * 3600), Moment(60_000)));
    for second in 600..4 * 3600 {
        machine.advance(Moment(second * 1000));
        let celsius = machine.temperature().unwrap();
        assert!((887.9..912.1).contains(&celsius), "{celsius} °C after {second} s");
    }
}

#[test]
fn the_same_seed_draws_the_same_day() {
    for ((_, one), (name, other)) in kinds().into_iter().zip(kinds()) {
        let mut one = powered(one, 11);
        // However differently its time is cut up.
        let mut other = powered(other, 11);
        assert!(one.start_job(Span::secs(3000), Moment(60_000)));
        assert!(other.start_job(Span::secs(3000), Moment(60_000)));
        for tick in 1..3000 {
            one.advance(Moment(60_000 + tick * 1_000));
            if tick % 100 == 0 {
                other.advance(Moment(60_000 + tick * 1_000));
                assert_eq!(one.watts(), other.watts(), "{name}");
                assert!((one.joules() - other.joules()).abs() < 1e-3, "{name}");
            }
        }
    }
}
