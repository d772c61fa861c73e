//! The rules as they were when a decision was made: the file of its machine, without secrets.

use jiff::tz::TimeZone;

use super::episode::Episode;
use super::words::local;
use idlegate_guard::time::WallTime;
use idlegate_messages::Decision;
use idlegate_plan::text::tame;
use idlegate_rules::history::{KeptRules, find, shortened};
use idlegate_rules::without_secrets;

const LINES_MAX: usize = 60;
const LINE_CHARS: usize = 160;

/// The rules that a decision was made by, as far as they are about its machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RulesThen {
    pub digest: String,
    /// When they were accepted.
    pub since: WallTime,
    /// Within the rules folder.
    pub file: String,
    /// What may be a secret is left out.
    pub text: String,
    /// Not so any more in the rules that were accepted last.
    pub changed_since: bool,
}

/// Nothing where they are not kept, or had no file for the machine.
pub fn rules_then(episode: &Episode, kept: &[KeptRules]) -> Option<RulesThen> {
    let machine = episode.decision.machine.as_deref()?;
    let digest = episode.decision.read::<Decision>().rules;
    let at = episode.decision.at.wall;
    let accepted: Vec<_> = kept.iter().filter(|kept| !kept.set_aside).cloned().collect();
    let then = find(&accepted, &digest).ok().filter(|then| then.digest == digest)?;
    let file = format!("machines/{machine}.toml");
    let text_in = |rules: &KeptRules| {
        let folder = rules.read()?;
        folder.files.into_iter().find(|found| found.path == file).map(|found| found.text)
    };
    let text = text_in(then)?;
    let changed_since = accepted
        .last()
        .is_some_and(|newest| newest.digest != digest && text_in(newest).as_ref() != Some(&text));
    // They may have been accepted again after the decision.
    let times = accepted.iter().filter(|kept| kept.digest == digest).map(|kept| kept.at);
    let since = times.filter(|time| *time <= at).max().unwrap_or(then.at);
    Some(RulesThen { digest, since, file, text: without_secrets(&text), changed_since })
}

/// For people, who do not need the comments of the file here.
pub fn then_words(then: &RulesThen, kept: &[KeptRules], zone: &TimeZone) -> String {
    let RulesThen { digest, since, file, text, changed_since } = then;
    let since = local(*since, zone);
    let says = if *changed_since { "said then, and does not any more" } else { "said, and still does" };
    let mut told = format!("  In force since {since}; {file} {says}:\n");
    let is_rule = |line: &&str| !line.trim().is_empty() && !line.trim_start().starts_with('#');
    let lines: Vec<&str> = text.lines().filter(is_rule).collect();
    for line in lines.iter().take(LINES_MAX) {
        let indent = line.len() - line.trim_start().len();
        told.push_str(&format!("    {}{}\n", &line[..indent.min(LINE_CHARS)], tame(line, LINE_CHARS)));
    }
    if lines.len() > LINES_MAX {
        let rest = lines.len() - LINES_MAX;
        told.push_str(&format!(
            "    and {rest} more lines: idlegate rules show {} {file}\n",
            shortened(kept, digest)
        ));
    }
    told
}
