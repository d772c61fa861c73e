//! Slips of the hand that TOML itself has no good word for.

use std::ops::Range;

use super::problem::floor_boundary;

/// What to write instead, if what stands at the fault is a slip that is known.
pub(super) fn remedy(text: &str, fault: Range<usize>) -> Option<String> {
    let start = floor_boundary(text, fault.start);
    let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
    let line = text[line_start..].lines().next().unwrap_or_default();
    // A comment may contain anything.
    let line = line.split('#').next().unwrap_or_default();
    if line.contains(['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}', '\u{ab}', '\u{bb}']) {
        return Some(
            "these are typographic quotation marks; write straight ones (\"), as on a keyboard".to_owned(),
        );
    }
    // In a list a comma is what it should be.
    if line.contains('[') {
        return None;
    }
    let numbers = line.split(['=', '{', '}', ' ', '\t', '"']);
    let with_comma = numbers.map(|part| part.trim_end_matches(',')).find_map(with_comma);
    with_comma.map(|number| format!("write the number with a point: {number}"))
}

/// "40,5" as TOML has it.
pub(super) fn with_comma(text: &str) -> Option<String> {
    let (whole, part) = text.trim().split_once(',')?;
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    (digits(whole.trim_start_matches('-')) && digits(part)).then(|| format!("{whole}.{part}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_and_quotation_marks_from_a_word_processor_are_known() {
        for (line, word) in [
            ("watts = 40,5", "40.5"),
            ("settings = { busy_watts = 40,5, quiet_watts = 35 }", "40.5"),
            ("title = \u{201c}Mill\u{201d}", "straight"),
            ("title = \u{201e}M\u{fc}hle\u{201c}", "straight"),
        ] {
            let told = remedy(line, 8..9).unwrap_or_else(|| panic!("{line}"));
            assert!(told.contains(word), "{line}: {told}");
        }
        for line in ["range = [0,5]", "range = [ 0,5 ]", "title = Mill", "a = 1 # \u{201c}one\u{201d}", ""] {
            assert_eq!(remedy(line, 0..1), None, "{line}");
        }
    }
}
