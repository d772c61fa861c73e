//! Text from outside, made safe to print, speak and store; digests and times as text.

use std::fmt::Display;

use jiff::Timestamp;

use crate::time::WallTime;

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

/// `1 fault`, `2 faults`; only for words whose plural takes an s.
pub fn counted<Count: Display + PartialEq + From<u8>>(count: Count, what: &str) -> String {
    if count == Count::from(1) { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// "a, b and c"
pub fn in_a_row(words: &[&str], last: &str) -> String {
    match words {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., end] => format!("{} {last} {end}", first.join(", ")),
    }
}

/// In hexadecimal, as digests are written.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// RFC 3339 has no years before 0000; what lies outside is shown as the nearest moment inside.
const FIRST_MILLIS: i64 = -62_167_219_200_000;

fn timestamp(wall: WallTime) -> Timestamp {
    Timestamp::from_millisecond(wall.0.max(FIRST_MILLIS)).unwrap_or(Timestamp::MAX)
}

/// `2026-11-25T02:31:49.120Z`
pub fn rfc3339(wall: WallTime) -> String {
    format!("{:.3}", timestamp(wall))
}

/// `20261125T023149Z`, for names of files.
pub fn compact_time(wall: WallTime) -> String {
    timestamp(wall).strftime("%Y%m%dT%H%M%SZ").to_string()
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

    #[test]
    fn one_is_not_a_plural() {
        assert_eq!([0_usize, 1, 2].map(|count| counted(count, "fault")), ["0 faults", "1 fault", "2 faults"]);
    }

    #[test]
    fn times_agree_with_gnu_date() {
        // date -u -d @SECS +%FT%TZ
        for (millis, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            // RFC 3339, section 5.8, first example, with its fraction of a second.
            (482_196_050_520, "1985-04-12T23:20:50.520Z"),
            (951_782_400_000, "2000-02-29T00:00:00.000Z"),
            (1_709_251_199_999, "2024-02-29T23:59:59.999Z"),
            (1_795_574_309_120, "2026-11-25T02:38:29.120Z"),
            (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
            (-1, "1969-12-31T23:59:59.999Z"),
            (i64::MIN, "0000-01-01T00:00:00.000Z"),
        ] {
            assert_eq!(rfc3339(WallTime(millis)), text);
        }
        assert!(rfc3339(WallTime(i64::MAX)).starts_with("9999-12-"));
        assert_eq!(compact_time(WallTime(1_795_574_309_120)), "20261125T023829Z");
    }
}
