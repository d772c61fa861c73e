//! The computer's clocks, read in one place.

use std::time::{Duration, SystemTime};

use idlegate_guard::time::{Moment, Now, WallTime};

/// The computer's clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock;

impl Clock {
    /// Reads both clocks. The monotonic one includes suspension: a window opened before the lid was closed
    /// is long over when it is opened again.
    pub fn now(self) -> Now {
        let boot = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        let boot = Duration::try_from(boot).unwrap_or_default();
        let wall = match SystemTime::UNIX_EPOCH.elapsed() {
            Ok(since) => signed_millis(since),
            Err(before) => -signed_millis(before.duration()),
        };
        Now { moment: Moment(boot.as_millis().try_into().unwrap_or(u64::MAX)), wall: WallTime(wall) }
    }
}

fn signed_millis(span: Duration) -> i64 {
    span.as_millis().try_into().unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_does_not_run_backwards() {
        let first = Clock.now().moment;
        assert!(Clock.now().moment >= first);
    }
}
