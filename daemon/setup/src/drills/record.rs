//! The page of one drill, to print and to sign.

use std::fmt::Write as _;

use crate::commission::{CAUTIONS, DrillOutcome, Item, Tried};

/// In Markdown, which reads well as it is.
#[derive(Debug)]
pub struct DrillRecord<'a> {
    pub machine: &'a str,
    pub title: &'a str,
    /// RFC 3339.
    pub at: &'a str,
    pub by: &'a str,
    /// The digest of the rules in force.
    pub rules: &'a str,
    pub shadow: bool,
    pub tried: &'a [Tried],
    /// What there is to try at this machine.
    pub applicable: &'a [Item],
}

impl DrillRecord<'_> {
    pub fn to_markdown(&self) -> String {
        let DrillRecord { machine, title, at, by, rules, shadow, tried, applicable } = self;
        let mut page = String::new();
        let mut line = |words: &str| {
            // A text never fails to take more.
            let _ = writeln!(page, "{words}");
        };
        line(&format!(
            "# Drill: {title}\n\n| | |\n| --- | --- |\n| Machine | `{machine}` |\n| Date | {at} |"
        ));
        line(&format!("| Carried out by | {} |", if by.is_empty() { "________________" } else { by }));
        line(&format!("| Idlegate | {} |\n| Rules | `{rules}` |\n", env!("CARGO_PKG_VERSION")));
        if *shadow {
            line("In shadow mode: nothing was switched, so this drill stays due until it is done live.\n");
        }
        line("| | outcome | when | what the guard said |\n| --- | --- | --- | --- |");
        for item in *applicable {
            let tried = tried.iter().find(|tried| tried.item == *item);
            let (outcome, at, heard) = tried.map_or((DrillOutcome::NotTried, "", ""), |it| {
                (it.outcome, it.at.as_str(), it.heard.as_str())
            });
            line(&format!("| {} | {} | {at} | {} |", item.claim(), outcome.word(), heard.replace('|', "/")));
        }
        line("\n## Cautions\n");
        for caution in CAUTIONS {
            line(&format!("- {caution}"));
        }
        page
    }
}
