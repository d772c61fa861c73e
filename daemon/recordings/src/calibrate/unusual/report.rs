//! What was learned, as people read it.

use std::fmt::Write as _;

use super::Past;
use super::learn::Learned;
use idlegate_plan::text::counted;

/// The lines for a machine's file first, then what each limit rests on.
pub fn words(pasts: &[Past], learned: &Learned) -> String {
    let mut text = String::new();
    let mut line = |words: &str| {
        // A text never fails to take more.
        let _ = writeln!(text, "{words}");
    };
    for past in pasts {
        let take = &past.take;
        line(&format!("{}: {}; {}", take.name, counted(take.samples.len(), "reading"), take.oddities));
    }
    line(&format!("{} of work", counted(learned.days, "day")));
    line("");
    if !learned.settings.is_empty() {
        line("[signals.state]");
        line("machine = \"this\"");
        line("");
        line("[[detectors]]");
        line("use = \"unusual-draw\"");
        line("role = \"warn\"");
        line("watch_while = \"on\"");
        line(&format!("settings = {}", learned.settings.to_toml()));
        line("");
    }
    for lesson in &learned.lessons {
        match &lesson.because {
            Ok(rests_on) => line(&format!("warns of {}: {rests_on}", lesson.watches_for)),
            Err(why) => line(&format!("off: {}: {why}", lesson.watches_for)),
        }
    }
    text
}
