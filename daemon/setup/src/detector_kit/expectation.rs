//! What a recording is expected to give, for makers whose language has no test kit: a table of times and verdicts.

use std::path::Path;

use idlegate_guard::PermissiveState;
use idlegate_os::files;

use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::text::{parse_time, rfc3339, tame};
use idlegate_recordings::replay::StateChange;

const BYTES_MAX: u64 = 1 << 20;
/// Nobody reads on.
const SHOWN_MAX: usize = 20;

/// From which time on the verdict is to be which.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expectation(Vec<(WallTime, Expected)>);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Expected {
    This(PermissiveState),
    /// Busy or unknown.
    Held,
    Anything,
}

#[derive(Debug, thiserror::Error)]
pub enum ExpectationError {
    #[error(transparent)]
    Io(#[from] std::io::Error),
    #[error("line {line}: {fault}")]
    Line { line: usize, fault: String },
}

impl Expectation {
    pub fn load(path: &Path) -> Result<Expectation, ExpectationError> {
        Expectation::parse(&files::read_text(path, BYTES_MAX)?)
    }

    /// `time,verdict`, then a line for every time from which on another verdict is right.
    pub fn parse(text: &str) -> Result<Expectation, ExpectationError> {
        let mut expected: Vec<(WallTime, Expected)> = Vec::new();
        let lines = text.trim_start_matches('\u{feff}').lines().enumerate();
        let mut lines = lines.filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
        let fault = |index: usize, fault: String| ExpectationError::Line { line: index + 1, fault };
        match lines.next() {
            Some((_, heading)) if heading.replace(' ', "") == "time,verdict" => {}
            found => return Err(fault(found.map_or(0, |(at, _)| at), "write time,verdict here".to_owned())),
        }
        for (index, line) in lines {
            let cells: Vec<&str> = line.split(',').map(str::trim).collect();
            let [time, word] = cells[..] else {
                return Err(fault(index, "write a time and a verdict, with a comma between them".to_owned()));
            };
            let time = parse_time(time).map_err(|error| fault(index, error.to_string()))?;
            let verdict = match word {
                "busy" => Expected::This(PermissiveState::Busy),
                "idle" => Expected::This(PermissiveState::Clear),
                "unknown" => Expected::This(PermissiveState::Unknown),
                "held" => Expected::Held,
                "any" => Expected::Anything,
                other => {
                    let other = tame(other, 40);
                    let told = format!(
                        "{other:?} is no verdict; there are busy, idle, unknown, held (busy or unknown) and any"
                    );
                    return Err(fault(index, told));
                }
            };
            if expected.last().is_some_and(|(before, _)| *before >= time) {
                return Err(fault(index, "this time is not after the one before it".to_owned()));
            }
            expected.push((time, verdict));
        }
        Ok(Expectation(expected))
    }

    /// Where it was something else, a sentence each. Before the first of its times anything is right.
    pub fn differences(&self, changes: &[StateChange], until: WallTime) -> Vec<String> {
        let ends = self.0.iter().skip(1).map(|(at, _)| *at).chain([WallTime(i64::MAX)]);
        let mut differences = Vec::new();
        for ((from, expected), end) in self.0.iter().zip(ends) {
            let nexts = changes.iter().skip(1).map(|change| change.at).chain([until]);
            for (change, next) in changes.iter().zip(nexts) {
                let (from, end) = (change.at.max(*from), next.min(end));
                if from < end && !expected.is(change.state) {
                    let lasted = Span(u64::try_from(end.0 - from.0).unwrap_or(0));
                    let (at, wanted, was) = (rfc3339(from), expected.word(), word(change.state));
                    differences.push(format!(
                        "{at}: expected {wanted}, but it was {was} for {lasted}: {}",
                        change.reason
                    ));
                }
            }
        }
        let more = differences.len().saturating_sub(SHOWN_MAX);
        differences.truncate(SHOWN_MAX);
        if more > 0 {
            differences.push(format!("and {more} more"));
        }
        differences
    }
}

impl Expected {
    fn is(self, state: PermissiveState) -> bool {
        match self {
            Expected::This(expected) => expected == state,
            Expected::Held => state != PermissiveState::Clear,
            Expected::Anything => true,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Expected::This(state) => word(state),
            Expected::Held => "held (busy or unknown)",
            Expected::Anything => "any",
        }
    }
}

fn word(state: PermissiveState) -> &'static str {
    match state {
        PermissiveState::Clear => "idle",
        PermissiveState::Busy => "busy",
        PermissiveState::Unknown => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_that_cannot_be_read_is_refused_with_its_line() {
        for (text, told) in [
            ("", "line 1: write time,verdict here"),
            (
                "time,verdict\n2026-01-05T10:00:00Z\n",
                "line 2: write a time and a verdict, with a comma between them",
            ),
            (
                "time,verdict\n# noon\n2026-01-05T12:00:00Z,bsy\n",
                "line 3: \"bsy\" is no verdict; there are busy, idle, unknown, held (busy or unknown) and any",
            ),
            (
                "time,verdict\n2026-01-05T12:00:00Z,busy\n2026-01-05T12:00:00Z,idle\n",
                "line 3: this time is not after the one before it",
            ),
        ] {
            assert_eq!(Expectation::parse(text).unwrap_err().to_string(), told);
        }
    }
}
