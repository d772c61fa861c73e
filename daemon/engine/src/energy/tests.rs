//! What could go wrong with a bill: a silence is filled with energy nobody saw, a minute is counted twice, a clock that
//! is set makes a day of an hour.

use super::*;
use idlegate_guard::time::{Moment, Now, Span, WallTime};

/// 10:00 UTC on a day.
const TEN: i64 = 1_767_607_200_000;

struct Bench {
    meter: EnergyMeter,
    over: Vec<Metered>,
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
        joules_in(&self.over)
    }
}

fn joules_in(records: &[Metered]) -> f64 {
    records.iter().flat_map(|record| &record.joules).flatten().sum()
}

#[test]
fn a_kilowatt_for_an_hour_is_3_6_megajoules() {
    // 1 kWh = 3.6 MJ: an hour is 3,600 s (SI Brochure, 9th edition, table 8; from memory).
    let mut bench = Bench::new();
    for nth in 0..=360 {
        bench.reads(nth * 10, 1_000.0);
    }
    assert!((bench.joules() - 3_600_000.0).abs() < 1e-6);
}

#[test]
fn between_two_readings_the_draw_changes_evenly_also_across_a_minute() {
    let mut bench = Bench::new();
    bench.reads(50, 0.0);
    bench.reads(70, 200.0);
    bench.over.extend(bench.meter.finish());
    assert_eq!(bench.over[0].joules, [Some(500.0), Some(1_500.0)]);
}

#[test]
fn a_silence_is_counted_and_not_bridged() {
    let mut bench = Bench::new();
    bench.reads(0, 100.0);
    bench.reads(10, 100.0);
    bench.reads(600, 100.0);
    bench.reads(610, 100.0);
    bench.over.extend(bench.meter.finish());
    let silent = bench.over.iter().fold(Span::ZERO, |sum, record| sum + record.silent);
    assert_eq!((silent, joules_in(&bench.over)), (Span::secs(590), 2_000.0));
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
    let counter = Counter::of(joules_per_unit).wrapping_at(wraps_at);
    let mut meter = EnergyMeter::counting(Span::secs(30), counter);
    let mut over = Vec::new();
    for (secs, value) in readings {
        let moment = Moment(1_000_000 + secs * 1_000);
        let wall = WallTime(TEN + i64::try_from(secs * 1_000).unwrap());
        over.extend(meter.count(Now { moment, wall }, moment, *value));
        // The draw is not counted a second time.
        over.extend(meter.take(Now { moment, wall }, moment, 1_000.0));
    }
    over.extend(meter.finish());
    let silent = over.iter().fold(Span::ZERO, |sum, record| sum + record.silent);
    (joules_in(&over), silent)
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
fn a_counter_that_leaps_is_not_believed() {
    let (joules, silent) = counted(None, 3_600_000.0, &[(0, 5.0), (10, 512.0), (20, 512.001)]);
    assert!((joules - 3_600.0).abs() < 1e-3, "{joules}");
    assert_eq!(silent, Span::secs(10), "it is told that ten seconds were not counted");
}

fn moment_at(secs: u64) -> Now {
    let wall = WallTime(TEN + i64::try_from(secs * 1_000).unwrap());
    Now { moment: Moment(1_000_000 + secs * 1_000), wall }
}

#[test]
fn the_minutes_of_a_counter_are_those_between_its_readings() {
    let mut meter = EnergyMeter::counting(Span::secs(30), Counter::of(1.0));
    for (secs, value) in [(50_u64, 0.0), (70, 200.0)] {
        let now = moment_at(secs);
        assert_eq!(meter.count(now, now.moment, value), []);
    }
    assert_eq!(meter.finish().unwrap().joules, [Some(100.0), Some(100.0)]);
}

/// Nobody knows when in the silence it was drawn, but it was not all in the minute in which the meter was heard again.
#[test]
fn what_a_counter_counted_in_a_silence_belongs_to_all_of_it() {
    let mut meter = EnergyMeter::counting(Span::secs(30), Counter::of(1.0));
    let mut over = Vec::new();
    for (secs, value) in [(0, 1_000.0), (7_200, 721_000.0)] {
        let now = moment_at(secs);
        over.extend(meter.count(now, now.moment, value));
    }
    over.extend(meter.finish());
    let minutes: Vec<f64> = over.iter().flat_map(|record| &record.joules).flatten().copied().collect();
    assert_eq!(minutes.len(), 120);
    assert!(minutes.iter().all(|joules| (joules - 6_000.0).abs() < 1e-6), "{minutes:?}");
    assert!(over.iter().all(|record| record.silent == Span::ZERO));
}

#[test]
fn a_replaced_meter_books_nothing() {
    let kwh = 3_600_000.0;
    // The new one shows less, or more, than the old one did.
    for shows in [0.8, 0.0, 300.0, 900.0] {
        for minutes in [2, 45] {
            let readings = [(0, 512.0), (10, 512.001), (20, 512.002), (20 + minutes * 60, shows)];
            let (joules, silent) = counted(None, kwh, &readings);
            assert!((joules - 0.002 * kwh).abs() < 1e-3, "{shows} after {minutes} min: {joules} J");
            assert_eq!(silent, Span::secs(minutes * 60));
        }
    }
}

#[test]
fn more_than_its_circuit_gives_is_not_believed() {
    let counter = Counter::of(3_600_000.0).drawing_at_most(Some(3_680.0));
    let mut meter = EnergyMeter::counting(Span::secs(30), counter);
    let mut over = Vec::new();
    // 5 kWh in half an hour would be 10 kW.
    for (secs, value) in [(0, 10.0), (1_800, 15.0), (1_810, 15.001)] {
        let now = moment_at(secs);
        over.extend(meter.count(now, now.moment, value));
    }
    over.extend(meter.finish());
    assert!((joules_in(&over) - 3_600.0).abs() < 1e-3);
}

#[test]
fn a_last_digit_that_goes_to_and_fro_is_no_energy() {
    // 4,000 times a watt-hour would be the 4 kWh that nobody drew.
    for begins_at in [0.012, 512.3] {
        let jitter = (0..8_000_u64).map(|nth| (nth * 10, begins_at + if nth % 2 == 0 { 0.0 } else { 0.001 }));
        let (joules, silent) = counted(Some(9_999.999), 3_600_000.0, &jitter.collect::<Vec<_>>());
        assert!((joules - 3_600.0).abs() < 1e-3, "{begins_at}: {joules} J");
        assert_eq!(silent, Span::ZERO);
    }
}

/// A tenth of a kilowatt-hour each hour, read every second.
#[test]
fn a_coarse_counter_counts_its_steps() {
    let readings = (0..36_000_u64).map(|secs| {
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let tenths = (secs / 3_600) as f64;
        (secs, 7.0 + tenths / 10.0)
    });
    let (joules, silent) = counted(None, 3_600_000.0, &readings.collect::<Vec<_>>());
    assert!((joules - 0.9 * 3_600_000.0).abs() < 1.0, "{joules}");
    assert_eq!(silent, Span::ZERO);
}

/// Constant draw: the sum is known without any program, and each day is a seventh of it.
#[test]
fn seven_days_are_a_week_to_the_joule_and_no_minute_is_there_twice() {
    let mut bench = Bench::new();
    // Ten in the morning of Monday to the same of the next.
    const WEEK_SECS: u64 = 7 * 86_400;
    for secs in (0..=WEEK_SECS).step_by(10) {
        bench.reads(secs, 33.3);
    }
    bench.over.extend(bench.meter.finish());
    let mut minutes = Vec::new();
    for record in &bench.over {
        for (nth, joules) in (0_i64..).zip(&record.joules) {
            minutes.extend(joules.map(|joules| (record.from.0 + nth * 60_000, joules)));
        }
    }
    assert_eq!(minutes.len(), 7 * 1_440);
    assert!(minutes.windows(2).all(|pair| pair[0].0 < pair[1].0), "each once, in order");
    for day in minutes.chunks(1_440) {
        let joules: f64 = day.iter().map(|(_, joules)| joules).sum();
        assert!((joules - 33.3 * 86_400.0).abs() < 1e-3, "{joules}");
    }
    assert!((bench.joules() - 33.3 * 604_800.0).abs() < 1e-2);
}

#[test]
fn a_crash_loses_a_few_minutes_and_no_half_hour() {
    let mut bench = Bench::new();
    for secs in (0..86_400).step_by(10) {
        bench.reads(secs, 100.0);
        #[expect(clippy::cast_precision_loss, reason = "a day")]
        let drawn = 100.0 * secs as f64;
        let lost = drawn - joules_in(&bench.over);
        assert!(lost <= 100.0 * 360.0, "{lost} J at {secs}");
    }
}

#[test]
fn while_nothing_is_drawn_there_is_a_record_each_half_hour() {
    let mut bench = Bench::new();
    for secs in (0..86_400).step_by(10) {
        bench.reads(secs, 0.0);
    }
    assert_eq!(bench.over.len(), 47);
}

#[test]
fn a_meter_that_may_be_silent_for_hours_loses_none_of_them() {
    let mut bench = Bench { meter: EnergyMeter::new(Span::secs(6 * 3_600)), ..Bench::new() };
    bench.reads(0, 50.0);
    bench.reads(5 * 3_600, 50.0);
    assert!((bench.joules() - 50.0 * 5.0 * 3_600.0).abs() < 1e-6);
}
