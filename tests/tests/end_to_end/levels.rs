//! Which draw means work, beside two published ways of splitting a heap of numbers in two: Otsu's threshold
//! (scikit-image) and a mixture of two normal distributions (scikit-learn), over a day of each of nine real meters of
//! the tracebase data set. The table is `tests/published/levels.py`'s.
//!
//! Only the split is compared, not the number: anywhere between idle and work is right. Both methods know nothing of
//! jobs, and fail where a machine works in spikes: Otsu then cuts between spikes and the rest of the job, the mixture
//! between zero and standby.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::collections::BTreeMap;
use std::path::Path;

use idlegate_recordings::calibrate::{Interval, JobWorth, Marks, Take, calibrate};
use idlegate_tests::open_data;

fn jobs(folder: &Path) -> BTreeMap<String, Vec<Interval>> {
    let mut jobs: BTreeMap<String, Vec<Interval>> = BTreeMap::new();
    for line in std::fs::read_to_string(folder.join("jobs.csv")).unwrap().lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let job = format!("{}/{}", cells[1], cells[2]).parse().unwrap();
        jobs.entry(cells[0].to_owned()).or_default().push(job);
    }
    jobs
}

#[expect(clippy::cast_precision_loss, reason = "a day has fewer readings than that")]
fn share(
    take: &Take,
    of: impl Fn(&idlegate_recordings::calibrate::Sample) -> bool,
    is: impl Fn(f64) -> bool,
) -> f64 {
    let chosen: Vec<_> = take.samples.iter().filter(|sample| of(sample)).collect();
    chosen.iter().filter(|sample| is(sample.watts)).count() as f64 / chosen.len().max(1) as f64
}

#[test]
fn where_published_methods_tell_idle_from_work_ours_says_the_same() {
    let folder = match open_data::part("power") {
        Ok(folder) => folder,
        Err(skipped) => return eprintln!("{skipped}"),
    };
    let jobs = jobs(&folder);
    let mut succeeded: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for line in include_str!("../../published/levels.tsv").lines().skip(2) {
        let cells: Vec<&'static str> = line.split('\t').collect();
        let (recording, meter) = (cells[0], cells[0].split('-').next().unwrap());
        let take = Take::read(&folder.join(recording), None).unwrap();
        let marks = Marks { jobs: jobs[recording].clone(), quiet: Vec::new() };
        let working = |sample: &idlegate_recordings::calibrate::Sample| {
            marks.jobs.iter().any(|job| job.contains(sample.at))
        };
        let proposal = calibrate(std::slice::from_ref(&take), &marks, JobWorth::default()).unwrap();
        let ours = proposal.settings.busy_watts;
        assert_eq!(proposal.evidence.jobs_hit, 0, "{recording}: with its dwell, no job could have been cut");
        for (method, level) in ["otsu", "mixture"].into_iter().zip(&cells[1..]) {
            let level: f64 = level.parse().unwrap();
            // The mixture's level is itself work.
            let theirs = |watts: f64| if method == "otsu" { watts > level } else { watts >= level };
            let hit = share(&take, working, theirs);
            let missed = share(&take, |sample| !working(sample), theirs);
            if hit < 0.95 || missed > 0.01 {
                continue;
            }
            succeeded.entry(method).or_default().push(meter);
            let agreed = share(&take, |_| true, |watts| theirs(watts) == (watts > ours));
            // A dryer rests at 2 W in its job, which ours leaves to the dwell.
            let wanted = if (method, meter) == ("mixture", "laundrydryer") { 0.96 } else { 0.99 };
            assert!(
                agreed >= wanted,
                "{recording}: {method} at {level} W, ours at {ours} W, agree on {agreed}"
            );
        }
        let otsu: f64 = cells[1].parse().unwrap();
        assert!(ours < otsu, "{recording}: what Otsu takes for work, so do we: {ours} W, {otsu} W");
    }
    // Of nine; the others are spiky or have a standby.
    assert_eq!(succeeded["otsu"], ["cookingstove", "projector", "waterfountain"]);
    assert_eq!(succeeded["mixture"], ["cookingstove", "laundrydryer", "waterfountain"]);
}
