//! Weeks in shadow mode beside a hub that obeys whatever it hears: the real engine, detector, journal and trial, and a
//! workshop that keeps its own books. What could go wrong: the trial calls a machine ready that was cut twice a day,
//! blames the hub for what nobody asked, or counts a request twice because somebody pressed twice.

mod books;
mod guarding;
mod workshop;

use std::collections::BTreeMap;

use idlegate_guard::time::{Span, WallTime};
use idlegate_history::report::{Period, ShadowSays, Terms, ledger};
use idlegate_history::trial::{self, MachineOnTrial};
use idlegate_journal::{JournalReader, Query, RecordKind};
use jiff::tz::TimeZone;

use super::journalling::JOURNAL_FILE;
use books::{Books, Kind as Asked, Outcome};
use guarding::{BEGAN, Guarding, Rules};
use workshop::{Act, Script, Trouble};

/// What the trial makes of the journal, and how many offs were told as incidents.
struct Seen {
    tried: MachineOnTrial,
    incidents: usize,
    words: String,
}

/// Plays the script to the guard, which starts and stops as the script has it.
fn watched(script: &Script) -> Seen {
    let dir = tempfile::tempdir().unwrap();
    let rules = Rules::new();
    let mut guarding = Some(Guarding::start(dir.path(), &rules, BEGAN));
    let mut is_on = true;
    for (at, act) in &script.acts {
        if let Act::Outlet(on) = act {
            is_on = *on;
        }
        match (act, &mut guarding) {
            (Act::Starts, gone @ None) => {
                let began = gone.insert(Guarding::start(dir.path(), &rules, *at));
                began.hears(*at, &script.outlet(is_on), true);
            }
            (Act::Stops, there) => there.take().into_iter().for_each(|guarding| guarding.stop(*at)),
            (act, Some(guarding)) => {
                let said = script.said(act);
                said.into_iter().for_each(|said| guarding.hears(*at, &said, false));
            }
            (_, None) => {}
        }
    }
    let end = script.acts.last().unwrap().0;
    guarding.unwrap().stop(end);
    let file = dir.path().join(JOURNAL_FILE);
    // The sign of life is of the real clock, which is not the workshop's.
    drop(std::fs::remove_file(file.with_extension("alive")));
    let reader = JournalReader::open(&file).unwrap();
    let gaps = Query { kinds: vec![RecordKind::Gap], ..Query::default() };
    assert_eq!(reader.records(&gaps).count(), 0, "the journal kept up");
    let period = trial::period(&reader).unwrap().unwrap();
    assert_eq!(period, Period { from: wall(BEGAN), to: wall(end) });
    let terms = Terms { period, machine: None, tariff: None, titles: BTreeMap::new() };
    let trial = trial::trial(&ledger(&reader, &terms).unwrap());
    let incidents = Query { kinds: vec![RecordKind::Incident], ..Query::default() };
    let off = |body: &serde_json::Value| body["kind"] == "off-by-another-route";
    let incidents = reader.records(&incidents).filter(|found| off(&found.as_ref().unwrap().body())).count();
    let words = trial::words(&trial, &TimeZone::UTC);
    assert_eq!(trial.machines.len(), 1);
    Seen { tried: trial.machines.into_iter().next().unwrap(), incidents, words }
}

fn wall(at: u64) -> WallTime {
    guarding::now(at).wall
}

fn assert_the_same(seen: &Seen, books: &Books, seed: u64) {
    let tried = &seen.tried;
    let asked = |kind: Asked| books.asks.iter().filter(|ask| ask.kind == kind).count();
    let ended = |how: Outcome| books.outcomes.iter().filter(|end| **end == how).count();
    assert_eq!(
        [tried.asked, tried.off, tried.held, tried.deferred],
        [books.asks.len(), asked(Asked::Off), asked(Asked::Held), asked(Asked::Deferred)],
        "seed {seed}: asked, off, held, deferred"
    );
    assert_eq!(
        [tried.agreed, tried.cut_though_held, tried.left_on, tried.unseen],
        [ended(Outcome::AsDecided), ended(Outcome::Cut), ended(Outcome::LeftOn), 0],
        "seed {seed}: as decided, cut though held, left on, unseen"
    );
    let cuts: Vec<(WallTime, Option<ShadowSays>)> =
        tried.cuts.iter().map(|cut| (cut.at, cut.verdict)).collect();
    let truth: Vec<(WallTime, Option<ShadowSays>)> = books
        .cuts
        .iter()
        .map(|(at, by)| {
            let verdict = by.map(|kind| match kind {
                Asked::Off => ShadowSays::Off,
                Asked::Held => ShadowSays::Held,
                Asked::Deferred => ShadowSays::Deferred,
            });
            (wall(*at), verdict)
        })
        .collect();
    assert_eq!(cuts, truth, "seed {seed}: cut jobs");
    for cut in &tried.cuts {
        let watts = cut.watts.expect("the meter was heard before");
        assert!((watts - workshop::WORKING_WATTS).abs() < 1.0, "seed {seed}: {watts}");
    }
    assert_eq!(tried.whole_jobs, books.whole_jobs, "seed {seed}: whole jobs");
    assert_eq!(seen.incidents, books.unasked_offs, "seed {seed}: offs that nobody had asked for");
}

#[test]
fn three_weeks_beside_a_careless_hub_are_summed_up_as_they_were() {
    let script = Script::write(1, 21, Trouble::None);
    let books = Books::of(&script);
    let seen = watched(&script);
    assert_the_same(&seen, &books, 1);
    assert!(seen.words.ends_with(" Ready.\n"), "{}", seen.words);
    let mut all = BTreeMap::new();
    for outcome in books.outcomes {
        *all.entry(format!("{outcome:?}")).or_insert(0) += 1;
    }
    assert!(
        all.len() == 3 && all.values().all(|count| *count >= 10),
        "it puts everything to the test: {all:?}"
    );
}

#[test]
fn what_was_not_seen_is_named_and_keeps_it_from_being_ready() {
    let script = Script::write(7, 5, Trouble::AwayAndSilent);
    let seen = watched(&script);
    assert_the_same(&seen, &Books::of(&script), 7);
    assert_eq!((seen.tried.away.len(), seen.tried.blind.len()), (1, 1), "{:?}", seen.tried);
    assert_eq!(seen.tried.away[0], Span::secs(25 * 60));
    assert!((Span::secs(10 * 60)..Span::secs(20 * 60)).contains(&seen.tried.blind[0]));
    let end = "Not yet: once it was not known for ";
    assert!(
        seen.words.contains(end) && seen.words.ends_with("once Idlegate saw nothing of it for 25 min.\n")
    );
}

/// The hub took seven seconds, and Idlegate was started anew meanwhile.
#[test]
fn a_decision_from_before_a_restart_is_paired_with_what_came_after_it() {
    let script = Script::write(9, 3, Trouble::Restarts);
    let books = Books::of(&script);
    assert_eq!(script.acts.iter().filter(|(_, act)| matches!(act, Act::Starts)).count(), 2);
    assert_the_same(&watched(&script), &books, 9);
}
