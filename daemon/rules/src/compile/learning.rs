//! What is to follow from the silences of a machine.

use crate::codes::Code;
use crate::defaults;
use crate::problem::quoted;
use crate::problems::Problems;
use crate::section::Section;
use idlegate_plan::kept::note;
use idlegate_plan::{JOB_WORTH, Learning};

/// Sections from the most to the least particular.
pub(super) fn compile(layers: &[Section<'_>], problems: &mut Problems<'_>) -> Learning {
    let hold_longer =
        layers.iter().find_map(|layer| layer.switch("hold_longer")).unwrap_or(defaults::HOLD_LONGER);
    let seen = layers.iter().find_map(|layer| layer.text("resumptions_seen"));
    let seen_until = seen.and_then(|text| match note::time(text.value) {
        Ok(time) => Some(time),
        Err(_) => {
            let message = format!("{} is not a time with Z or an offset", quoted(text.value));
            let help = "write it like 2026-11-25T08:30:00Z".to_owned();
            problems.add(Code::WrongType, text.place, message).help(help);
            None
        }
    });
    let job_worth = layers.iter().find_map(|layer| layer.duration("job_worth")).unwrap_or(JOB_WORTH);
    Learning { hold_longer, seen_until, job_worth }
}
