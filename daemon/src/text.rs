//! Text from outside, made safe to print, speak and store; and digests as text.

/// At most `chars_max` characters of `text`, with everything replaced that could move a cursor, reverse the
/// writing direction or break a line. A text that was cut ends in "…".
pub fn tame(text: &str, chars_max: usize) -> String {
    let mut tamed: String =
        text.trim().chars().take(chars_max).map(|c| if is_tame(c) { c } else { '\u{fffd}' }).collect();
    if text.trim().chars().nth(chars_max).is_some() {
        tamed.pop();
        tamed.push('…');
    }
    tamed
}

fn is_tame(c: char) -> bool {
    let moves_text_about = matches!(c,
        '\u{061c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
    !c.is_control() && !moves_text_about
}

/// In hexadecimal, as digests are written.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_disturb_a_terminal_is_replaced() {
        assert_eq!(tame("118 W, busy above 40 W", 200), "118 W, busy above 40 W");
        assert_eq!(tame("a\x1b[2Jb\nc\0d\u{202e}e", 200), "a�[2Jb�c�d�e");
        assert_eq!(tame("  215 °C \n", 200), "215 °C");
    }

    #[test]
    fn a_long_text_is_cut_between_characters_and_says_so() {
        assert_eq!(tame("äöüß", 4), "äöüß");
        assert_eq!(tame("äöüßx", 4), "äöü…");
        assert_eq!(tame(&"€".repeat(1_000_000), 200).chars().count(), 200);
    }
}
