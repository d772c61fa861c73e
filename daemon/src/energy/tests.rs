//! What could go wrong with a bill: a silence is filled with energy nobody saw, a minute is counted twice, a clock that is
//! set makes a day of an hour.

use super::*;
use crate::time::{Moment, Now, Span, WallTime};

/// 10:00 UTC on a day.
const TEN: i64 = 1_767_607_200_000;

struct Bench {
    meter: EnergyMeter,
    over: Vec<HalfHour>,
    shift_ms: i64,
}

impl Bench {
    fn new() -> Bench {
        Bench { meter: EnergyMeter::new(Span::secs(30)), over: Vec::new(), shift_ms: 0 }
    }

    /// A reading so many seconds after ten.
    fn reads(&mut self, secs: u64, watts: f64) {
        let moment = Moment(1_000_000 + secs * 1_000);
        let wall = WallTime(TEN + i64::try_from(secs * 1_000).unwrap() + self.shift_ms);
        self.over.extend(self.meter.take(Now { moment, wall }, moment, watts));
    }

    fn joules(mut self) -> f64 {
        self.over.extend(self.meter.finish());
        self.over.iter().flat_map(|half_hour| half_hour.joules).flatten().sum()
    }
}

#[test]
fn a_kilowatt_for_an_hour_is_3_6_megajoules() {
    // 1 kWh = 3.6 MJ: an hour is 3,600 s (SI Brochure, 9th edition, table 8; from memory).
    let mut bench = Bench::new();
    for nth in 0..=360 {
        bench.reads(nth * 10, 1_000.0);
    }
    assert_eq!(bench.over.len(), 1, "the second half-hour is not over before something is read after it");
    assert!((bench.joules() - 3_600_000.0).abs() < 1e-6);
}

#[test]
fn between_two_readings_the_draw_changes_evenly_also_across_a_minute() {
    let mut bench = Bench::new();
    bench.reads(50, 0.0);
    bench.reads(70, 200.0);
    bench.over.extend(bench.meter.finish());
    let minutes = bench.over[0].joules;
    assert_eq!((minutes[0], minutes[1], minutes[2]), (Some(500.0), Some(1_500.0), None));
}

#[test]
fn a_silence_is_counted_and_not_bridged() {
    let mut bench = Bench::new();
    bench.reads(0, 100.0);
    bench.reads(10, 100.0);
    bench.reads(600, 100.0);
    bench.reads(610, 100.0);
    bench.over.extend(bench.meter.finish());
    assert_eq!(bench.over[0].silent, Span::secs(590));
    assert_eq!(bench.over[0].joules.iter().flatten().sum::<f64>(), 2_000.0);
}

#[test]
fn a_clock_that_is_set_changes_no_energy() {
    for shift_ms in [-86_400_000, 86_400_000, 1_234] {
        let mut bench = Bench::new();
        bench.reads(0, 100.0);
        bench.reads(10, 100.0);
        bench.shift_ms = shift_ms;
        bench.reads(20, 100.0);
        bench.reads(30, 100.0);
        assert!((bench.joules() - 3_000.0).abs() < 1e-6, "{shift_ms}");
    }
}

#[test]
fn noise_below_nothing_gives_nothing_back() {
    let mut bench = Bench::new();
    bench.reads(0, -0.4);
    bench.reads(10, -0.4);
    assert_eq!(bench.joules(), 0.0);
}

/// Days of the tracebase data set (Reinhardt et al., SustainIT 2012), summed by `numpy.trapezoid` over the runs between
/// silences of more than a minute, readings that come late left out: `tests/published/energy.py`.
#[test]
fn whole_days_come_to_what_numpys_trapezoid_comes_to() {
    let Some(folder) = crate::open_data::part("power") else { return };
    let mut summed = 0;
    for line in include_str!("../../../tests/published/energy.tsv").lines().skip(2) {
        let (file, joules) = line.split_once('\t').unwrap();
        let joules: f64 = joules.parse().unwrap();
        let reader = crate::recording::Reader::open(&folder.join(file)).unwrap();
        let mut bench = Bench { meter: EnergyMeter::new(Span::secs(60)), over: Vec::new(), shift_ms: 0 };
        let mut begin = None;
        for point in reader {
            let point = point.unwrap();
            let crate::event::Value::Number(watts) = point.value else { continue };
            let begin = *begin.get_or_insert(point.at);
            let Ok(since) = u64::try_from(point.at.0 - begin.0) else { continue };
            let moment = Moment(1_000_000 + since);
            // Live, the engine lets no older reading replace a newer one.
            if bench.meter.latest_at().is_some_and(|latest| moment < latest) {
                continue;
            }
            bench.over.extend(bench.meter.take(Now { moment, wall: point.at }, moment, watts));
        }
        let sum = bench.joules();
        assert!((sum - joules).abs() < joules * 1e-9, "{file}: {sum} J, numpy has {joules} J");
        summed += 1;
    }
    assert_eq!(summed, 6);
}

#[test]
fn a_reading_from_before_the_last_one_bridges_nothing() {
    let mut bench = Bench::new();
    bench.reads(20, 100.0);
    bench.reads(10, 100.0);
    assert_eq!(bench.joules(), 0.0);
}

#[test]
fn a_silence_as_long_as_it_may_be_is_still_bridged() {
    let mut bench = Bench::new();
    bench.reads(0, 100.0);
    bench.reads(30, 100.0);
    assert_eq!(bench.joules(), 3_000.0);
}

/// Counted readings at so many seconds after ten, and the joules that come of them.
fn counted(wraps_at: Option<f64>, joules_per_unit: f64, readings: &[(u64, f64)]) -> (f64, Span) {
    let mut meter = EnergyMeter::counting(Span::secs(30), joules_per_unit, wraps_at);
    let mut over = Vec::new();
    for (secs, value) in readings {
        let moment = Moment(1_000_000 + secs * 1_000);
        let wall = WallTime(TEN + i64::try_from(secs * 1_000).unwrap());
        over.extend(meter.count(Now { moment, wall }, moment, *value));
        // The draw is not counted a second time.
        over.extend(meter.take(Now { moment, wall }, moment, 1_000.0));
    }
    over.extend(meter.finish());
    let silent = over.iter().fold(Span::ZERO, |sum, half_hour| sum + half_hour.silent);
    (over.iter().flat_map(|half_hour| half_hour.joules).flatten().sum(), silent)
}

#[test]
fn a_counter_counts_what_it_rose_and_its_first_value_is_only_a_beginning() {
    // 1 kWh = 3.6 MJ, as above.
    let (joules, silent) = counted(None, 3_600_000.0, &[(0, 512.0), (10, 512.001), (20, 512.003)]);
    assert!((joules - 0.003 * 3_600_000.0).abs() < 1e-3, "{joules}");
    assert_eq!(silent, Span::ZERO);
}

#[test]
fn a_counter_that_wraps_goes_on_and_one_that_was_reset_counts_from_nothing() {
    let wraps = 65_535.0;
    assert_eq!(counted(Some(wraps), 1.0, &[(0, 65_500.0), (10, 65.0)]).0, 100.0);
    assert_eq!(counted(None, 1.0, &[(0, 65_500.0), (10, 65.0)]).0, 65.0);
    // Too much for ten seconds to be a wrap.
    assert_eq!(counted(Some(4_294_967_295.0), 1.0, &[(0, 65_500.0), (10, 65.0)]).0, 65.0);
}

#[test]
fn what_was_counted_in_a_silence_is_booked_when_it_is_heard_again() {
    let (joules, silent) = counted(None, 1.0, &[(0, 1_000.0), (7_200, 721_000.0)]);
    assert_eq!((joules, silent), (720_000.0, Span::ZERO));
}

#[test]
fn a_counter_that_leaps_is_not_believed() {
    let (joules, silent) = counted(None, 3_600_000.0, &[(0, 5.0), (10, 512.0), (20, 512.001)]);
    assert!((joules - 3_600.0).abs() < 1e-3, "{joules}");
    assert_eq!(silent, Span::secs(10), "it is told that ten seconds were not counted");
}

#[test]
fn the_minutes_of_a_counter_are_those_between_its_readings() {
    let mut meter = EnergyMeter::counting(Span::secs(30), 1.0, None);
    for (secs, value) in [(50_u64, 0.0), (70, 200.0)] {
        let moment = Moment(1_000_000 + secs * 1_000);
        let wall = WallTime(TEN + i64::try_from(secs * 1_000).unwrap());
        assert_eq!(meter.count(Now { moment, wall }, moment, value), None);
    }
    let minutes = meter.finish().unwrap().joules;
    assert_eq!((minutes[0], minutes[1], minutes[2]), (Some(100.0), Some(100.0), None));
}
