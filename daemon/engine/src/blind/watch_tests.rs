//! What could go wrong: somebody is told every other minute, or twice, or never that it is over; or is told that a
//! meter has fallen silent which fell silent last week.

use super::*;

fn at(secs: u64) -> Now {
    Now {
        moment: Moment(secs * 1_000),
        wall: WallTime(1_700_000_000_000 + i64::try_from(secs).unwrap() * 1_000),
    }
}

fn spot(kind: Blindness, of: &str) -> Spot {
    Spot { kind, of: Some(Name::new(of).unwrap()), part: None }
}

fn seen(of: &str, sight: Sight, after_secs: u64) -> Seen {
    Seen {
        spot: spot(Blindness::MeterSilent, of),
        sight,
        after: Span::secs(after_secs),
        quiet: false,
        facts: Facts {
            title: of.into(),
            one_of_several: false,
            why: None,
            meanwhile: Consequence::OffHeld,
            urgent: of == "red",
        },
    }
}

const BLIND: Sight = Sight::Blind { since: None };

/// Looks whenever the watch asks for it, and tells when what was told.
fn watched(
    watch: &mut Watch,
    until: u64,
    mut sight: impl FnMut(&str, u64) -> Sight,
) -> Vec<(u64, Vec<String>, bool)> {
    let mut told = Vec::new();
    while let Some(due) = watch.deadline().filter(|due| *due <= Moment(until * 1_000)) {
        let now = due.0 / 1_000;
        let all = ["mill", "red", "saw"].map(|of| seen(of, sight(of, now), 60)).to_vec();
        for news in watch.look(at(now), true, all) {
            let of = news.spots.iter().map(|spot| spot.of.as_ref().unwrap().0.to_string()).collect();
            assert_eq!(
                news.urgent,
                !news.over && news.spots.iter().any(|spot| spot.of.as_ref().unwrap().0.as_str() == "red")
            );
            told.push((now, of, news.over));
        }
    }
    told
}

fn up() -> Watch {
    let mut watch = Watch::default();
    watch.link_up(Moment(0));
    watch
}

fn blind_within(of: &'static str, from: u64, to: u64) -> impl Fn(&str, u64) -> Sight {
    move |it, now| if it == of && (from..to).contains(&now) { BLIND } else { Sight::Sees }
}

#[test]
fn a_blindness_above_its_limit_is_told_once_with_its_end_within_five_seconds() {
    let told = watched(&mut up(), 1_000, blind_within("mill", 100, 400));
    assert_eq!(told, [(162, vec!["mill".to_owned()], false), (402, vec!["mill".to_owned()], true)]);
}

#[test]
fn one_that_is_over_before_its_limit_is_never_told() {
    assert_eq!(watched(&mut up(), 1_000, blind_within("mill", 100, 158)), []);
    // Again and again, with time to see it in between.
    let blinks = |of: &str, now: u64| if of == "mill" && now % 60 < 20 { BLIND } else { Sight::Sees };
    assert_eq!(watched(&mut up(), 10_000, blinks), []);
}

#[test]
fn one_that_flickers_is_told_once() {
    let flickers = |of: &str, now: u64| {
        if of == "mill" && now >= 100 && now % 8 < 4 { BLIND } else { Sight::Sees }
    };
    let told = watched(&mut up(), 110, flickers);
    assert_eq!(told, []);
    let mut watch = up();
    let told = watched(&mut watch, 5_000, flickers);
    assert_eq!(told.len(), 1, "{told:?}");
    let told = watched(&mut watch, 6_000, |_, _| Sight::Sees);
    assert_eq!(told.len(), 1, "{told:?}");
}

#[test]
fn what_comes_within_two_seconds_is_told_together_and_the_worst_decides() {
    let both = |of: &str, now: u64| match of {
        "mill" if (100..300).contains(&now) => BLIND,
        "red" if (102..300).contains(&now) => BLIND,
        _ => Sight::Sees,
    };
    let told = watched(&mut up(), 1_000, both);
    let all = vec!["mill".to_owned(), "red".to_owned()];
    assert_eq!(told, [(162, all.clone(), false), (302, all, true)]);
}

#[test]
fn a_blindness_of_a_former_run_is_not_told_anew_and_its_end_is() {
    let former = FormerBlindSpot {
        kind: Blindness::MeterSilent,
        of: Some(Name::new("mill").unwrap()),
        part: None,
        since: WallTime(1_700_000_000_000 - 3_600_000),
    };
    let mut watch = up();
    watch.recall(&former, at(1));
    assert_eq!(watched(&mut watch, 500, blind_within("mill", 0, 10_000)), []);
    let lasting: Vec<Span> = watch.lasting(at(500)).map(|spot| spot.lasted).collect();
    assert_eq!(lasting, [Span::secs(3_600 + 500)]);
    let told = watched(&mut watch, 1_000, |_, _| Sight::Sees);
    assert_eq!(told, [(504, vec!["mill".to_owned()], true)]);
    // It ended while nobody was there to tell it.
    let mut watch = up();
    watch.recall(&former, at(1));
    assert_eq!(watched(&mut watch, 500, |_, _| Sight::Sees).len(), 1);
    // Its machine is no longer in the rules.
    let mut watch = up();
    watch.recall(&FormerBlindSpot { of: Some(Name::new("gone").unwrap()), ..former }, at(1));
    assert_eq!(watched(&mut watch, 500, |_, _| Sight::Sees), []);
    assert_eq!(watch.lasting(at(500)).count(), 0);
}

#[test]
fn a_lost_connection_begins_and_ends_nothing() {
    let mut watch = up();
    let mut told = watched(&mut watch, 120, blind_within("mill", 20, 1_000));
    assert_eq!(told.len(), 1);
    watch.link_down();
    assert_eq!(watch.deadline(), None);
    watch.link_up(Moment(300_000));
    told = watched(&mut watch, 900, |of, now| match of {
        "mill" if now < 400 => Sight::Untold,
        "saw" if now < 330 => BLIND,
        _ => Sight::Sees,
    });
    assert_eq!(told, [(402, vec!["mill".to_owned()], true)]);
}

#[test]
fn what_is_told_in_another_way_is_only_shown() {
    let mut watch = up();
    let quiet = |sight| Seen { quiet: true, ..seen("mill", sight, 0) };
    for now in (10..20).step_by(2) {
        assert_eq!(watch.look(at(now), true, vec![quiet(BLIND)]), []);
    }
    assert_eq!(watch.lasting(at(20)).count(), 1);
    assert_eq!(watch.look(at(20), true, vec![quiet(Sight::Sees)]), []);
    assert_eq!(watch.lasting(at(20)).count(), 0);
}
