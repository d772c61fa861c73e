//! Energy over whole days of real recordings. What could go wrong: a silence is filled with energy nobody saw.

use idlegate_engine::energy::EnergyMeter;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::Value;

/// Days of the tracebase data set (Reinhardt et al., SustainIT 2012), summed by `numpy.trapezoid` over the runs between
/// silences of more than a minute, readings that come late left out: `tests/published/energy.py`.
#[test]
fn whole_days_come_to_what_numpys_trapezoid_comes_to() {
    let Some(folder) = crate::open_data::part("power") else { return };
    let mut summed = 0;
    for line in include_str!("../../../../tests/published/energy.tsv").lines().skip(2) {
        let (file, joules) = line.split_once('\t').unwrap();
        let joules: f64 = joules.parse().unwrap();
        let reader = super::RecordingReader::open(&folder.join(file)).unwrap();
        let (mut meter, mut over) = (EnergyMeter::new(Span::secs(60)), Vec::new());
        let (mut begin, mut latest) = (None, None);
        for point in reader {
            let point = point.unwrap();
            let Value::Number(watts) = point.value else { continue };
            let begin = *begin.get_or_insert(point.at);
            let Ok(since) = u64::try_from(point.at.0 - begin.0) else { continue };
            let moment = Moment(1_000_000 + since);
            // Live, the engine lets no older reading replace a newer one.
            if latest.is_some_and(|latest| moment < latest) {
                continue;
            }
            latest = Some(moment);
            over.extend(meter.take(Now { moment, wall: point.at }, moment, watts));
        }
        over.extend(meter.finish());
        let sum: f64 = over.iter().flat_map(|record| &record.joules).flatten().sum();
        assert!((sum - joules).abs() < joules * 1e-9, "{file}: {sum} J, numpy has {joules} J");
        summed += 1;
    }
    assert_eq!(summed, 6);
}
