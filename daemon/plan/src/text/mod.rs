//! Text from outside, made safe to print, speak and store; names as people spell them; digests and times as text.

mod spoken;

use std::borrow::Cow;
use std::fmt::Display;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use idlegate_guard::time::WallTime;

pub use spoken::{fold, nearest, turns_into_on};

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

/// The text without anything that could drive a terminal; line ends and tabs stay.
pub fn harmless(text: &str) -> Cow<'_, str> {
    let may_pass = |c| matches!(c, '\n' | '\t') || is_tame(c);
    if text.chars().all(may_pass) {
        return Cow::Borrowed(text);
    }
    Cow::Owned(text.chars().map(|c| if may_pass(c) { c } else { '\u{fffd}' }).collect())
}

/// The same, but colours may pass (SGR, ECMA-48 section 8.3.117): `ESC [ … m` with nothing but digits and semicolons.
pub fn coloured(text: &str) -> String {
    let mut kept = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find('\u{1b}') {
        kept.push_str(&harmless(&rest[..at]));
        rest = &rest[at..];
        let end = rest.strip_prefix("\u{1b}[").and_then(|codes| {
            let end = codes.find(|c: char| !matches!(c, '0'..='9' | ';'))?;
            codes[end..].starts_with('m').then_some("\u{1b}[".len() + end + 1)
        });
        let length = end.unwrap_or(1);
        kept.push_str(if end.is_some() { &rest[..length] } else { "\u{fffd}" });
        rest = &rest[length..];
    }
    kept.push_str(&harmless(rest));
    kept
}

/// JSON in which nothing could drive a terminal: such characters stand only inside its strings, where an escape means
/// the same.
pub fn escaped(json: &str) -> Cow<'_, str> {
    let may_pass = |c| c == '\n' || is_tame(c);
    if json.chars().all(may_pass) {
        return Cow::Borrowed(json);
    }
    let mut text = String::with_capacity(json.len() + 16);
    for c in json.chars() {
        if may_pass(c) {
            text.push(c);
        } else {
            // All of them lie in the basic plane, so one escape is enough.
            text.push_str(&format!("\\u{:04x}", u32::from(c)));
        }
    }
    Cow::Owned(text)
}

/// Text from outside, short enough for a line, for use in a message about it.
pub fn bounded(text: &str) -> String {
    const CHARS_MAX: usize = 48;
    let mut shortened: String = text.chars().take(CHARS_MAX).collect();
    if shortened.len() < text.len() {
        shortened.push('…');
    }
    shortened
}

/// `1 fault`, `2 faults`; only for words whose plural takes an s.
pub fn counted<Count: Display + PartialEq + From<u8>>(count: Count, what: &str) -> String {
    if count == Count::from(1) { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// `30,000`
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
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

/// `2026-11-25 at 02:31 UTC`, to be read.
pub fn minute_in_words(wall: WallTime) -> String {
    timestamp(wall).strftime("%Y-%m-%d at %H:%M UTC").to_string()
}

/// `02:31`, as the clock of this zone shows it.
pub fn hour_and_minute(wall: WallTime, zone: &TimeZone) -> String {
    zone.to_datetime(timestamp(wall)).strftime("%H:%M").to_string()
}

/// `20261125T023149Z`, for names of files.
pub fn compact_time(wall: WallTime) -> String {
    timestamp(wall).strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// What was said instead of a time, short enough for a line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is not a time with Z or an offset, such as 2026-11-25T08:30:00Z")]
pub struct NotATime(pub String);

/// A time by RFC 3339, with Z or an offset.
pub fn parse_time(text: &str) -> Result<WallTime, NotATime> {
    match text.parse::<Timestamp>() {
        Ok(time) => Ok(WallTime(time.as_millisecond())),
        Err(_) => Err(NotATime(bounded(text))),
    }
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

    /// RFC 3339, section 5.8: its examples, save the two with a leap second. (1990-12-31T23:59:60Z is taken for the
    /// second before, since neither clock has a place for it.)
    #[test]
    fn times_are_read_by_rfc_3339() {
        for (text, millis) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
            ("2011-12-17T00:00:02Z", 1_324_080_002_000),
        ] {
            assert_eq!(parse_time(text), Ok(WallTime(millis)), "{text}");
        }
        for leap in ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"] {
            assert_eq!(parse_time(leap), Ok(WallTime(662_687_999_000)), "{leap}");
        }
    }

    #[test]
    fn a_time_without_its_offset_could_be_any() {
        for text in [
            "",
            "2011-12-17",
            "2011-12-17T00:00:02",
            "1324080002",
            "17.12.2011 00:00",
            "2011-13-01T00:00:00Z",
        ] {
            assert!(parse_time(text).is_err(), "{text:?}");
        }
    }
}
