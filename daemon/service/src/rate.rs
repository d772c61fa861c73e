//! A limit on how often the same kind of thing is said in the log.

use idlegate_guard::time::{Moment, Span};

/// Lines a minute; the rest is only counted.
const LINES_MAX: u32 = 30;
const WINDOW: Span = Span::secs(60);

#[derive(Debug, Default)]
pub(super) struct RateLimit {
    began: Moment,
    lines: u32,
}

impl RateLimit {
    pub(super) fn allows(&mut self, now: Moment) -> bool {
        if self.lines == 0 || now.since(self.began) >= WINDOW {
            self.began = now;
            self.lines = 0;
        }
        self.lines += 1;
        self.lines <= LINES_MAX
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_nonsense_is_a_few_lines_a_minute() {
        let mut limit = RateLimit::default();
        let lines = (0..1_000).filter(|at| limit.allows(Moment(*at))).count();
        assert_eq!(lines, 30);
        assert!(limit.allows(Moment(61_000)));
    }
}
