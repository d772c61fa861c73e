//! What could go wrong in the workshop: a machine whose pause outlasted its dwell is cut in the next one; or it is held
//! for ever for what nobody can find out; or a new job in the evening counts as a pause.

use super::*;
use idlegate_plan::event::Name;
use idlegate_plan::{DetectorUse, Learning, ModuleSource, OrderTopic, Outlet, Source, StateTopic, ValuePath};

fn machine() -> Machine {
    let text = || "mill".to_owned();
    let source = Source { filter: text(), path: ValuePath::Whole };
    let name = Name::new("mill").unwrap();
    Machine {
        name: name.clone(),
        title: text(),
        outlet: Outlet {
            state: Some(StateTopic { source, on: text(), off: text() }),
            order: Some(OrderTopic { topic: text(), on: text(), off: text(), expiry: Span::secs(2) }),
            refresh: None,
            reach: None,
            power_signal: None,
            energy: None,
            residual_watts: 5.0,
        },
        signals: Vec::new(),
        detectors: vec![DetectorUse {
            name: name.clone(),
            module: ModuleSource::BuiltIn(name),
            settings: serde_json::json!({}),
            signals: Vec::new(),
            needed: Vec::new(),
            role: Role::Hold,
            stage: idlegate_plan::Stage::Work,
        }],
        policy: idlegate_guard::Policy::default(),
        speak_in_shadow: false,
        learning: Learning { hold_longer: true, ..Learning::default() },
        interlocks: idlegate_plan::Interlocks::default(),
        services: Vec::new(),
        drill_every: None,
        jobs: idlegate_plan::JobRules::UNLESS_SET,
        hazardous: false,
        circuit: None,
        site: None,
    }
}

fn at(secs: u64) -> Now {
    let wall = WallTime(1_795_615_391_000 + (secs * 1_000).cast_signed());
    Now { moment: Moment(secs * 1_000), wall }
}

const DWELL: u64 = 180;

/// What is seen from when on, every second until the next is; in the end what is on record, with its times.
fn seen(
    silences: &mut Silences,
    machine: &Machine,
    scenes: &[(u64, &str)],
    until: u64,
) -> Vec<(u64, Silence)> {
    let mut told = Vec::new();
    let mut quiet_since = None;
    for second in scenes[0].0..until {
        let (_, doing) = scenes.iter().rfind(|(from, _)| *from <= second).unwrap();
        let sight = match *doing {
            "works" => Sight::Working,
            "off" => Sight::Off,
            "unknown" => Sight::Unknown,
            "quiet" => {
                let since = *quiet_since.get_or_insert(second);
                match DWELL.saturating_sub(second - since) {
                    0 => Sight::Idle,
                    left => Sight::Quiet { left: Span::secs(left) },
                }
            }
            other => panic!("{other}"),
        };
        if *doing != "quiet" {
            quiet_since = None;
        }
        told.extend(silences.see(at(second), sight, machine).map(|silence| (second, silence)));
    }
    told
}

fn ends(told: &[(u64, Silence)]) -> Vec<(u64, SilenceEnd)> {
    told.iter().map(|(second, silence)| (*second, silence.end)).collect()
}

#[test]
fn silences_are_told_apart_by_how_they_end() {
    let (machine, mut silences) = (machine(), Silences::default());
    let scenes = [
        (0, "quiet"),
        // Two pauses and a beat of the heater; then it is over.
        (1_000, "works"),
        (2_000, "quiet"),
        (2_100, "works"),
        (2_200, "quiet"),
        (2_203, "works"),
        (2_300, "quiet"),
        (2_350, "works"),
        (2_400, "quiet"),
        // The next job, with a pause that nearly was too long, and one that was.
        (9_000, "works"),
        (9_100, "quiet"),
        (9_265, "works"),
        (9_300, "quiet"),
        (9_300 + DWELL + 240, "works"),
        // Switched off after a while.
        (10_000, "quiet"),
        (10_300, "off"),
    ];
    let told = seen(&mut silences, &machine, &scenes, 12_000);
    let (quiet_for, idle_for) = (Span::secs(165), Span::secs(240));
    let expected = [
        (2_400 + DWELL + 900, SilenceEnd::Lasted),
        (9_265, SilenceEnd::Nearly { quiet_for }),
        (9_300 + DWELL + 240, SilenceEnd::BackToWork { idle_for }),
        (10_300, SilenceEnd::Lasted),
    ];
    assert_eq!(ends(&told), expected);
    let first = &told[0].1;
    assert_eq!((first.dwell, first.pauses, first.pause_longest), (Span::secs(DWELL), 2, Span::secs(100)));
}

#[test]
fn another_job_after_a_quarter_of_an_hour_or_after_an_off_is_no_pause() {
    let (machine, mut silences) = (machine(), Silences::default());
    let later = DWELL + 901;
    let scenes = [(0, "works"), (100, "quiet"), (100 + later, "works"), (2_000, "quiet"), (2_200, "off")];
    let told = seen(&mut silences, &machine, &scenes, 2_300);
    assert!(ends(&told).iter().all(|(_, end)| *end == SilenceEnd::Lasted), "{told:?}");
    let again = [(2_300, "works"), (2_400, "quiet"), (2_500, "off"), (2_510, "works"), (2_600, "unknown")];
    assert_eq!(ends(&seen(&mut silences, &machine, &again, 2_700)), []);
    assert_eq!(silences.longer(), None);
}

fn counted(silences: &Silences) -> Option<String> {
    silences.counted_reason().map(|reason| reason.to_string())
}

/// Five jobs end and nobody touches anything; one is switched off as soon as it is idle, so nobody knows how that went
/// on.
#[test]
fn what_people_hear_of_earlier_silences_is_no_more_than_was_counted() {
    let (machine, mut silences) = (machine(), Silences::default());
    let mut from = 0;
    for finished in 0..5 {
        seen(&mut silences, &machine, &[(from, "works"), (from + 100, "quiet")], from + 100 + DWELL + 1);
        let expected = match finished {
            0 => None,
            1 => Some("before this it was quiet for 3 min once, and had finished".to_owned()),
            2 => Some("before this it was quiet for 3 min twice, and each time it had finished".to_owned()),
            times => Some(format!(
                "before this it was quiet for 3 min {times} times, and each time it had finished"
            )),
        };
        assert_eq!(counted(&silences), expected);
        from = from + 100 + DWELL + 1;
        (from..from + 1_000).for_each(|second| drop(silences.see(at(second), Sight::Idle, &machine)));
        assert_eq!(counted(&silences), None, "by now this one counts itself");
        from += 2_000;
    }
    seen(&mut silences, &machine, &[(from, "works"), (from + 100, "quiet"), (from + 300, "off")], from + 400);
    from += 1_000;
    seen(&mut silences, &machine, &[(from, "works"), (from + 100, "quiet")], from + 100 + DWELL + 1);
    let five = "before this it was quiet for 3 min 5 times, and each time it had finished";
    assert_eq!(counted(&silences).as_deref(), Some(five));
    let back = resumes(&mut silences, &machine, from + 1_000, 60);
    seen(&mut silences, &machine, &[(back, "works"), (back + 100, "quiet")], back + 100 + DWELL + 1);
    // From the silence before, and from the one that followed.
    let twice = "before this it was quiet for 3 min 7 times, and twice it went back to work";
    assert_eq!(counted(&silences).as_deref(), Some(twice));

    // After a restart the count goes on, but not under other settings.
    let kept = silences.counted.clone();
    let mut other = machine.clone();
    other.detectors[0].settings = serde_json::json!({ "dwell": "1 min" });
    for (rules, said) in [(&machine, true), (&other, false)] {
        let mut after = Silences::default();
        after.recall_counted(&kept, rules);
        seen(&mut after, rules, &[(0, "works"), (100, "quiet")], 100 + DWELL + 1);
        assert_eq!(counted(&after).is_some(), said);
    }
    silences.follow(&other);
    assert_eq!(silences.counted, Counted::default());
}

#[test]
fn what_was_out_of_sight_teaches_nothing() {
    let (machine, mut silences) = (machine(), Silences::default());
    let scenes = [(0, "works"), (100, "quiet"), (300, "unknown"), (310, "works")];
    assert_eq!(ends(&seen(&mut silences, &machine, &scenes, 400)), []);
    assert_eq!(silences.longer(), None);
}

/// Works, is quiet for so long, and works again.
fn resumes(silences: &mut Silences, machine: &Machine, from: u64, idle_for: u64) -> u64 {
    let back = from + 100 + DWELL + idle_for;
    seen(silences, machine, &[(from, "works"), (from + 100, "quiet"), (back, "works")], back + 10);
    back + 10
}

#[test]
fn a_machine_that_went_back_to_work_is_held_beyond_that_silence_from_then_on() {
    for (idle_for, held) in [(1, 2), (60, 2), (240, 5), (300, 7), (899, 19)] {
        let (machine, mut silences) = (machine(), Silences::default());
        let end = resumes(&mut silences, &machine, 0, idle_for);
        assert_eq!(silences.longer().unwrap().by, Span::secs(held * 60), "{idle_for} s");
        assert!(silences.longer().unwrap().by >= Span::secs(idle_for) + MINUTE);
        // The same pause again.
        seen(&mut silences, &machine, &[(end, "works"), (end + 100, "quiet")], end + 100 + DWELL + idle_for);
        assert!(silences.holds(at(end + 99 + DWELL + idle_for).moment).is_some(), "{idle_for} s");
        let over = end + 100 + DWELL + held * 60;
        seen(&mut silences, &machine, &[(end, "works"), (end + 100, "quiet")], over + 1);
        assert_eq!(silences.holds(at(over).moment), None, "and no longer than that");
    }
}

#[test]
fn a_shorter_silence_never_makes_the_hold_shorter() {
    let (machine, mut silences) = (machine(), Silences::default());
    let end = resumes(&mut silences, &machine, 0, 600);
    let learned = silences.longer().cloned();
    resumes(&mut silences, &machine, end, 10);
    assert_eq!(silences.longer().cloned(), learned);
    assert_eq!(learned.unwrap().idle_for, Span::secs(600));
}

#[test]
fn it_ends_when_somebody_has_looked_and_not_before() {
    let (machine, mut silences) = (machine(), Silences::default());
    let end = resumes(&mut silences, &machine, 0, 240);
    let kept = silences.longer().cloned().unwrap();
    assert!(!silences.follow(&machine), "the same rules again");
    // After a restart or a change-over.
    let mut after = Silences::default();
    after.recall(Some(&kept), &machine);
    assert_eq!(after.longer(), Some(&kept));
    seen(&mut after, &machine, &[(end, "works"), (end + 10, "quiet")], end + 11 + DWELL);
    assert_eq!(after.holds(at(end + 10 + DWELL).moment), Some(kept.by));

    let mut other = machine.clone();
    other.detectors[0].settings = serde_json::json!({ "dwell": "10 min" });
    let mut seen_since = machine.clone();
    seen_since.learning.seen_until = Some(kept.since);
    let mut seen_before = machine.clone();
    seen_before.learning.seen_until = Some(WallTime(kept.since.0 - 1));
    let mut refused = machine.clone();
    refused.learning.hold_longer = false;
    for (rules, lifted) in [(&other, true), (&seen_since, true), (&seen_before, false), (&refused, true)] {
        assert_eq!(after.clone().follow(rules), lifted);
        let mut restarted = Silences::default();
        restarted.recall(Some(&kept), rules);
        assert_eq!(restarted.longer().is_none(), lifted);
    }
}

#[test]
fn where_the_rules_do_not_want_it_a_resumption_is_told_and_nothing_follows() {
    let (mut machine, mut silences) = (machine(), Silences::default());
    machine.learning.hold_longer = false;
    let scenes = [(0, "works"), (100, "quiet"), (100 + DWELL + 60, "works")];
    let told = seen(&mut silences, &machine, &scenes, 500);
    assert_eq!(ends(&told), [(100 + DWELL + 60, SilenceEnd::BackToWork { idle_for: MINUTE })]);
    assert_eq!(silences.longer(), None);
}

#[test]
fn any_doubt_hides_what_several_detectors_say() {
    let (busy, idle, unknown) = (Verdict::Busy, Verdict::Idle, Verdict::Unknown);
    let left = |secs| Some(Span::secs(secs));
    for (said, expected) in [
        (vec![], Sight::Unknown),
        (vec![(idle, None), (idle, None)], Sight::Idle),
        (vec![(idle, None), (busy, left(9))], Sight::Quiet { left: Span::secs(9) }),
        (vec![(busy, left(9)), (busy, left(70)), (idle, None)], Sight::Quiet { left: Span::secs(70) }),
        (vec![(busy, left(9)), (busy, None)], Sight::Working),
        (vec![(busy, None), (idle, None), (unknown, left(1))], Sight::Unknown),
    ] {
        let mut together = Together::default();
        said.iter().for_each(|(verdict, left)| together.and(*verdict, *left));
        assert_eq!(together.sight(), expected, "{said:?}");
    }
}
