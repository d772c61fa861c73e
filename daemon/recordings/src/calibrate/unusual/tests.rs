// What could go wrong in the workshop: a limit learned from two days warns on the third, and is soon switched off; one
// that is wide enough for every day tells nobody that the contactor has welded; rules are written that do not load.

use idlegate_detector::Span;
use unusual_draw::watch::Unusual;

use super::*;
use crate::recording::Oddities;
use idlegate_plan::{Source, ValuePath};

const DAY: i64 = 86_400;

fn at(second: i64) -> WallTime {
    WallTime(1_764_028_800_000 + second * 1_000)
}

/// Repeatable, and as if at random: from 0 to 1.
fn stray(seed: i64) -> f64 {
    let mixed = u64::try_from(seed).unwrap().wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    f64::from(u32::try_from(mixed >> 33).unwrap()) / f64::from(u32::MAX >> 1)
}

/// A kiln on a plain clock: switched on at eight, heats with a thermostat from nine on for two to three hours, off at
/// five. It draws 8 W whenever it is on.
fn kiln(days: i64) -> Past {
    let mut samples = Vec::new();
    let mut switched = vec![(at(0), Switch::Off)];
    for day in 0..days {
        let full = 2_900.0 + 120.0 * stray(day * 7 + 1);
        let (heats, rests) = (300 + day % 5 * 60, 240);
        let work_ends = 9 * 3_600 + 7_200 + day % 7 * 600;
        switched.extend([(at(day * DAY + 8 * 3_600), Switch::On), (at(day * DAY + 17 * 3_600), Switch::Off)]);
        for second in (0..DAY).step_by(10) {
            let is_on = (8 * 3_600 + 5..17 * 3_600).contains(&second);
            let cycle = (second - 9 * 3_600).rem_euclid(heats + rests);
            let heating = (9 * 3_600..work_ends).contains(&second) && cycle < heats;
            let noise = stray(day * DAY + second);
            let watts = match (is_on, heating) {
                (false, _) => 0.0,
                (true, false) => 8.0 + noise,
                (true, true) => full + 10.0 * noise,
            };
            samples.push(Sample { at: at(day * DAY + second), watts });
        }
    }
    Past::new(Take { name: "kiln".to_owned(), samples, late: 0, oddities: Oddities::default() }, switched)
}

/// The days from this one on, with other draws from a time of the first of them on.
fn fault(from_day: i64, from: i64, draw: impl Fn(f64) -> f64) -> Past {
    let mut past = kiln(from_day + 1);
    let begin = at(from_day * DAY + from);
    past.take.samples.retain(|sample| sample.at >= at(from_day * DAY));
    for sample in past.take.samples.iter_mut().filter(|sample| sample.at >= begin) {
        sample.watts = draw(sample.watts);
    }
    past.switched.retain(|(it, _)| *it >= at((from_day - 1) * DAY + 17 * 3_600));
    past
}

fn told(past: &Past, settings: &Settings) -> Vec<Unusual> {
    warnings(past, settings).into_iter().map(|(_, unusual)| unusual).collect()
}

#[test]
fn a_fortnight_teaches_every_limit_and_the_next_half_year_warns_of_nothing() {
    let learned = learn(&[kiln(14)]);
    let settings = &learned.settings;
    assert!(learned.lessons.iter().all(|lesson| lesson.because.is_ok()), "{:#?}", learned.lessons);
    assert_eq!((learned.days, settings.on_longest), (14, Some(Span::from_secs(530))));
    let limits = [settings.on_longer_than, settings.draws_within, settings.work_shorter_than];
    let between = [(10, 40), (0, 5), (30, 120)];
    for (limit, (least, most)) in limits.into_iter().zip(between) {
        let limit = limit.unwrap();
        assert!(Span::from_mins(least) < limit && limit < Span::from_mins(most), "{limit}");
    }
    assert_eq!(told(&kiln(180), settings), []);
}

#[test]
fn every_planted_fault_is_told() {
    let settings = learn(&[kiln(14)]).settings;
    let first = |past: &Past| told(past, &settings).into_iter().next();
    let dead = fault(20, 9 * 3_600 + 6_000, |_| 0.0);
    assert!(matches!(first(&dead), Some(Unusual::Dead { .. })), "{:?}", first(&dead));
    let stuck = fault(20, 9 * 3_600 + 600, |watts| watts.max(2_950.0));
    assert!(matches!(first(&stuck), Some(Unusual::StuckOn { .. })), "{:?}", first(&stuck));
    let higher = fault(20, 0, |watts| watts * 1.3);
    assert!(matches!(first(&higher), Some(Unusual::Higher { .. })), "{:?}", first(&higher));
    let silent = fault(20, 0, |_| 0.0);
    assert!(matches!(first(&silent), Some(Unusual::Silent { .. })), "{:?}", first(&silent));
    let early = fault(20, 9 * 3_600 + 1_200, |watts| watts.min(8.0));
    assert!(matches!(first(&early), Some(Unusual::StoppedEarly { .. })), "{:?}", first(&early));
}

#[test]
fn what_few_days_do_not_tell_stays_off_and_says_so() {
    let learned = learn(&[kiln(2)]);
    assert!(learned.settings.is_empty(), "{:?}", learned.settings);
    let whys: Vec<String> =
        learned.lessons.iter().map(|lesson| lesson.because.clone().unwrap_err()).collect();
    assert_eq!(
        whys,
        [
            "2 days tell too little; a week of work tells enough",
            "2 days tell too little; a week of work tells enough",
            "2 days tell too little; a week of work tells enough",
            "2 days tell too little; a week of work tells enough",
            "it was seen to be switched on 2 times; a dozen tell enough",
        ]
    );
    // When its outlet was switched is not on record.
    let mut past = kiln(14);
    past.switched.clear();
    let learned = learn(&[past]);
    assert_eq!((learned.settings.draws_within, learned.settings.dead_after), (None, None));
    let dead = learned.lessons[2].because.clone().unwrap_err();
    assert_eq!(dead, "at rest it draws as little as one that is dead");
}

#[test]
fn a_machine_with_a_switch_of_its_own_is_not_missed_after_a_switch_on() {
    let mut past = kiln(14);
    // On the fourth day nobody switched it on itself.
    let (from, until) = (at(3 * DAY), at(4 * DAY));
    for sample in past.take.samples.iter_mut().filter(|it| from <= it.at && it.at < until) {
        sample.watts = 0.0;
    }
    let learned = learn(&[past]);
    let why = learned.lessons[4].because.clone().unwrap_err();
    assert_eq!(why, "of 14 times that it was switched on, it drew nothing for two minutes 1 time");
    assert!(learned.settings.higher_than_watts.is_some());
}

#[test]
fn what_was_learned_is_written_into_the_file_of_a_machine_beside_what_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("kiln.toml");
    let learned = learn(&[kiln(14)]);
    let before = "title = \"Kiln\" # hot\n[outlet]\npower = \"draw\"\n[signals.draw]\ntopic = \"meters/kiln\"\n\
                  unit = \"W\"\n[[detectors]]\nuse = \"power-threshold\"\n";
    std::fs::write(&file, before).unwrap();
    write(&file, &learned.settings).unwrap();
    let after = std::fs::read_to_string(&file).unwrap();
    assert!(after.starts_with("title = \"Kiln\" # hot\n"), "{after}");
    let rules: toml_edit::DocumentMut = after.parse().unwrap();
    let detector = |rules: &toml_edit::DocumentMut| {
        rules["detectors"].as_array_of_tables().unwrap().get(1).unwrap().to_string()
    };
    assert_eq!(rules["signals"]["state"]["machine"].as_str(), Some("this"));
    let expected = format!(
        "use = \"unusual-draw\"\nrole = \"warn\"\nwatch_while = \"on\"\nsignals = {{ power = \"draw\" }}\nsettings = {}\n",
        learned.settings.to_toml()
    );
    assert_eq!(detector(&rules), expected);
    // Once more, with what somebody has said about it.
    std::fs::write(&file, after.replace("settings = { ", "settings = { does = \"heated\", ")).unwrap();
    write(&file, &Settings { higher_than_watts: Some(99.0), ..Settings::default() }).unwrap();
    let rules: toml_edit::DocumentMut = std::fs::read_to_string(&file).unwrap().parse().unwrap();
    assert!(
        detector(&rules).ends_with("settings = { higher_than_watts = 99.0, does = \"heated\" }\n"),
        "{rules}"
    );
    assert_eq!(rules["detectors"].as_array_of_tables().unwrap().len(), 2);
    let missing = write(&dir.path().join("mill.toml"), &learned.settings);
    assert!(missing.unwrap_err().to_string().starts_with("cannot read "));
}

#[test]
fn the_words_show_the_rules_and_what_each_limit_rests_on() {
    let pasts = [kiln(14)];
    let learned = learn(&pasts);
    let text = words(&pasts, &learned);
    assert!(
        text.contains("\n[signals.state]\nmachine = \"this\"\n\n[[detectors]]\nuse = \"unusual-draw\"\n"),
        "{text}"
    );
    assert!(
        text.contains("\nwarns of on for longer than ever: on 14 days its longest time above "),
        "{text}"
    );
    assert!(text.contains("\nwarns of no draw after it was switched on: each of the 14 times"), "{text}");
}

#[test]
fn what_an_outlet_says_is_read_by_its_rules() {
    let source = Source { filter: String::new(), path: ValuePath::JsonPointer("/switch".to_owned()) };
    let state = StateTopic { source, on: "closed".to_owned(), off: "open".to_owned() };
    let point = |second: i64, signal: &str, value: Value| {
        let unit = matches!(value, Value::Number(_)).then(|| "W".into());
        Ok(Point { signal: signal.into(), at: at(second), value, unit, line: 1 })
    };
    let says = |second: i64, text: &str| point(second, "kiln/outlet", Value::Text(text.into()));
    let points = [
        says(0, r#"{"switch":"open"}"#),
        point(1, "kiln/power", Value::Number(0.0)),
        says(2, r#"{"switch":"open"}"#),
        says(3, "nonsense"),
        point(3, "saw/outlet", Value::Text(r#"{"switch":"closed"}"#.into())),
        says(4, r#"{"switch":"closed"}"#),
        point(5, "kiln/power", Value::Number(8.0)),
    ];
    let words = OutletWords { name: "kiln/outlet", state: &state };
    let past = Past::from_points("kept".to_owned(), points.into_iter(), None, Some(words)).unwrap();
    assert_eq!(past.switched, [(at(0), Switch::Off), (at(4), Switch::On)]);
    assert_eq!(past.while_on().samples, [Sample { at: at(5), watts: 8.0 }]);
}
