//! Jobs as they are on record. What came before there were such records is told from the rest, as in `jobs` and `cuts`.

use super::cuts::{CutJob, How};
use super::jobs::Job;
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::JobRecord;
use idlegate_plan::text::parse_time;

/// Jobs of centuries would be none.
const JOBS_MAX: usize = 100_000;

#[derive(Debug, Default)]
pub(super) struct Recorded {
    jobs: Vec<(Job, Option<CutJob>)>,
    /// Jobs that began from then on are on record.
    since: Option<WallTime>,
}

impl Recorded {
    /// There are records from before the time of this report.
    pub(super) fn always(&mut self) {
        self.since = Some(WallTime(i64::MIN));
    }

    pub(super) fn take(&mut self, record: &JobRecord) {
        let (Ok(from), Ok(until)) = (parse_time(&record.began), parse_time(&record.ended)) else { return };
        self.since = Some(self.since.map_or(from, |since| since.min(from)));
        if self.jobs.len() >= JOBS_MAX {
            return;
        }
        let job = Job {
            from,
            until,
            watts_max: record.watts_max.unwrap_or(0.0),
            joules: record.joules.unwrap_or(0.0),
            cost: record.cost,
        };
        let how = How::from_record(&record.how);
        let cut = how.map(|how| CutJob {
            at: until,
            since: from,
            how,
            input: record.by.clone(),
            who: record.who.clone(),
        });
        self.jobs.push((job, cut));
    }

    /// Together with what was told from the rest: of jobs from before, and of the one that goes on.
    pub(super) fn with(self, found: Vec<Job>, cuts: Vec<CutJob>, end: WallTime) -> (Vec<Job>, Vec<CutJob>) {
        let is_before = |from: WallTime| self.since.is_none_or(|since| from < since);
        let last = self.jobs.iter().map(|(job, _)| job.until).max();
        let goes_on = |job: &Job| job.until >= end && last.is_none_or(|last| job.from >= last);
        let mut jobs: Vec<Job> =
            found.into_iter().filter(|job| is_before(job.from) || goes_on(job)).collect();
        let mut all_cuts: Vec<CutJob> = cuts.into_iter().filter(|cut| is_before(cut.since)).collect();
        for (job, cut) in self.jobs {
            all_cuts.extend(cut);
            jobs.push(job);
        }
        jobs.sort_by_key(|job| job.from);
        (jobs, all_cuts)
    }
}

impl Job {
    pub fn length(&self) -> Span {
        Span(u64::try_from(self.until.0 - self.from.0).unwrap_or(0))
    }
}
