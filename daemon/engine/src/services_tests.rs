//! What could go wrong: a crash counts hours that nobody saw or loses some that everybody did, a doubt counts as work,
//! or a service that is due is never told, or told every minute.

use super::*;
use proptest::prelude::*;

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn rules(counts: ServiceMeasure, every: u64) -> Vec<Service> {
    vec![Service { name: name("lens"), done: "the lens was cleaned".to_owned(), counts, every }]
}

fn at(secs: u64) -> Now {
    let wall = 1_795_000_000_000_i64.saturating_add_unsigned(secs * 1_000);
    Now { moment: Moment(secs * 1_000), wall: WallTime(wall) }
}

fn seen(working: bool, outlet: Switch, until_secs: u64) -> Seen {
    Seen { working, outlet: Some(outlet), until: Moment(until_secs * 1_000) }
}

const HOUR_MS: u64 = 3_600_000;

#[test]
fn a_service_is_told_once_and_in_these_words() {
    let rules = rules(ServiceMeasure::Busy, 50 * HOUR_MS);
    let mut services = Services::default();
    let mut told = Vec::new();
    for minute in 0..=(52 * 60) {
        told.extend(services.see(at(minute * 60), seen(true, Switch::On, u64::MAX / 1_000), &rules));
    }
    let [due] = told.as_slice() else { panic!("told {} times", told.len()) };
    assert_eq!(&*due.words, "50 h since the lens was cleaned (every 50 h)");
    let now = &services.status(&rules)[0];
    assert_eq!((&*now.words, now.due), ("52 h since the lens was cleaned (every 50 h)", true));
    let before = services.done(at(52 * 3_600), &rules[0], &name("phone"), Some(&"Anna".into())).unwrap();
    assert_eq!(before.counted, 52 * HOUR_MS);
    let now = &services.status(&rules)[0];
    assert_eq!((&*now.words, now.due), ("0 s since the lens was cleaned (every 50 h)", false));
    assert_eq!((now.by.clone(), now.who.as_deref()), (Some(name("phone")), Some("Anna")));
}

#[test]
fn days_and_switch_ons_count_as_well() {
    let yearly = rules(ServiceMeasure::Calendar, 30 * DAY.0);
    let mut services = Services::default();
    let idle = seen(false, Switch::Off, 0);
    assert!(services.see(at(0), idle, &yearly).is_empty());
    assert!(services.see(at(29 * 86_400), idle, &yearly).is_empty());
    let due = services.see(at(31 * 86_400), idle, &yearly);
    assert_eq!(&*due[0].words, "31 days since the lens was cleaned (every 30 days)");
    // A clock that was never set, or set back, makes nothing due.
    assert!(!status(&services.counters()[0], &yearly[0], WallTime(0)).due);
    // One that is set only later, neither.
    let mut services = Services::default();
    services.see(Now { moment: Moment(0), wall: WallTime(5) }, idle, &yearly);
    assert!(services.see(at(60), idle, &yearly).is_empty());

    let brushes = rules(ServiceMeasure::SwitchOns, 2);
    let mut services = Services::default();
    let states = [Switch::On, Switch::Off, Switch::On, Switch::On, Switch::Off];
    for (secs, outlet) in (0..).zip(states) {
        assert!(services.see(at(secs), seen(false, outlet, 0), &brushes).is_empty());
    }
    // Out of sight for a while: it is the same switching on.
    services.see(at(5), Seen { outlet: None, ..seen(false, Switch::On, 0) }, &brushes);
    let due = services.see(at(6), seen(false, Switch::On, 0), &brushes);
    assert_eq!(&*due[0].words, "2 switch-ons since the lens was cleaned (every 2 switch-ons)");
}

#[test]
fn a_computer_that_slept_saw_nothing() {
    let rules = rules(ServiceMeasure::Busy, 50 * HOUR_MS);
    let mut services = Services::default();
    services.see(at(0), seen(true, Switch::On, u64::MAX / 1_000), &rules);
    services.see(at(8 * 3_600), seen(true, Switch::On, u64::MAX / 1_000), &rules);
    assert!(services.counters()[0].counted <= 90_000, "{:?}", services.counters());
}

#[test]
fn what_was_counted_before_it_could_be_read_is_added_and_a_service_since_then_stands() {
    let rules = rules(ServiceMeasure::Busy, 50 * HOUR_MS);
    let counted = |counted, nth| KeptService {
        name: name("lens"),
        nth,
        counted,
        since: WallTime(1_790_000_000_000),
        by: None,
        who: None,
        told: false,
    };
    let mut services = Services::default();
    services.see(at(0), seen(true, Switch::On, 1_000), &rules);
    services.see(at(60), seen(true, Switch::On, 1_000), &rules);
    services.recall(&[counted(HOUR_MS, 0)]);
    assert_eq!(services.counters()[0].counted, HOUR_MS + 60_000);
    services.done(at(61), &rules[0], &name("phone"), None);
    services.recall(&[counted(9 * HOUR_MS, 0)]);
    assert_eq!(services.counters()[0].counted, 0);
}

/// What happens for so many seconds.
#[derive(Clone, Copy, Debug)]
enum Stretch {
    Works(u64),
    Rests(u64),
    /// Its meter says nothing that counts.
    Doubt(u64),
    /// The program is killed, and is away for so long while the machine works on.
    Crash(u64),
}

fn stretch() -> impl Strategy<Value = Stretch> {
    prop_oneof![
        (1..4_000_u64).prop_map(Stretch::Works),
        (1..4_000_u64).prop_map(Stretch::Rests),
        (1..4_000_u64).prop_map(Stretch::Doubt),
        (1..40_000_u64).prop_map(Stretch::Crash)
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(200) })]

    /// The truth is what was worked while somebody was there to see it.
    #[test]
    fn hours_are_counted_to_the_minute_whatever_dies(life in prop::collection::vec(stretch(), 1..12)) {
        let rules = rules(ServiceMeasure::Busy, u64::MAX);
        let mut services = Services::default();
        // What has reached the disk.
        let mut disk: Vec<KeptService> = Vec::new();
        let (mut now, mut worked, mut crashes) = (1_000_u64, 0_u64, 0_u64);
        for stretch in life {
            let (length, working, valid) = match stretch {
                Stretch::Works(secs) => (secs, true, true),
                Stretch::Rests(secs) => (secs, false, true),
                Stretch::Doubt(secs) => (secs, true, false),
                Stretch::Crash(secs) => {
                    services = Services::default();
                    services.recall(&disk);
                    (now, crashes) = (now + secs, crashes + 1);
                    continue;
                }
            };
            let until = now + length;
            while now < until {
                let valid_until = if valid { now + 30 } else { now };
                services.see(at(now), seen(working, Switch::On, valid_until), &rules);
                if services.wants_keeping(at(now).moment, false) {
                    disk = services.counters().to_vec();
                }
                let step = (until - now).min(7);
                worked += if working && valid { step } else { 0 };
                now += step;
            }
            services.see(at(now), seen(false, Switch::On, now), &rules);
            if services.wants_keeping(at(now).moment, false) {
                disk = services.counters().to_vec();
            }
        }
        let counted = services.counters().first().map_or(0, |service| service.counted) / 1_000;
        prop_assert!(counted <= worked, "{counted} s of {worked} s");
        prop_assert!(counted + crashes * 68 >= worked, "{counted} s of {worked} s, {crashes} crashes");
    }
}
