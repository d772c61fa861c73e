//! The small languages inside the values: durations, topics, pointers, units, and the nearest known name.

use std::time::Duration;

use idlegate_guard::time::Span;
use idlegate_plan::text::turns_into_on;

/// The known name that was probably meant.
pub(crate) fn nearest<'a>(wrong: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Comparing takes time in proportion to both lengths, and no name is longer than this.
    const COMPARED_CHARS_MAX: usize = 64;
    if wrong.is_empty() || wrong.chars().count() > COMPARED_CHARS_MAX {
        return None;
    }
    let plain = |text: &str| text.to_lowercase().replace(['_', ' ', '.'], "-");
    let target = plain(wrong);
    let mut best: Option<(usize, &str)> = None;
    let known = known.into_iter().filter(|name| name.chars().count() <= COMPARED_CHARS_MAX);
    for name in known.filter(|name| !turns_into_on(wrong, name)) {
        let distance = strsim::damerau_levenshtein(&target, &plain(name));
        // One slip per three letters, and a short word may still have one.
        let tolerated = (target.chars().count().max(name.chars().count()) / 3).max(1);
        let whole = target.chars().count() > 1 || distance == 0;
        if whole && distance <= tolerated && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, name));
        }
    }
    best.map(|(_, name)| name)
}

/// "10s", "3 min", "1h 30min", "1.5 h", "3 minutes": in the rules as in the settings of a detector.
pub(crate) fn duration(text: &str) -> Result<Span, String> {
    let parsed = match humantime::parse_duration(text.trim()) {
        Ok(parsed) => parsed,
        Err(error) => return with_decimals(text).ok_or_else(|| not_a_duration(&error)),
    };
    if !parsed.subsec_nanos().is_multiple_of(1_000_000) {
        return Err("it is finer than a millisecond".to_owned());
    }
    Ok(Span::from(parsed))
}

fn not_a_duration(error: &humantime::DurationError) -> String {
    match error {
        humantime::DurationError::Empty => "it is empty".to_owned(),
        humantime::DurationError::UnknownUnit { unit, .. } if unit.is_empty() => "it has no unit".to_owned(),
        humantime::DurationError::UnknownUnit { unit, .. } => {
            format!("there is no unit of time called {}", super::problem::quoted(unit))
        }
        humantime::DurationError::NumberExpected(_) => "it does not begin with a number".to_owned(),
        humantime::DurationError::NumberOverflow => "it is too long".to_owned(),
        humantime::DurationError::InvalidCharacter(_) => {
            "it contains a character that durations do not have".to_owned()
        }
    }
}

/// "1.5 h", rounded to a millisecond.
fn with_decimals(text: &str) -> Option<Span> {
    let mut secs = 0.0;
    for (number, unit) in parts(text)? {
        let size = humantime::parse_duration(&format!("1{unit}")).ok()?;
        secs += number.parse::<f64>().ok()? * size.as_secs_f64();
    }
    let half = Duration::from_micros(500);
    Some(Span::from(Duration::try_from_secs_f64(secs).ok()?.checked_add(half)?))
}

/// Each number and its unit; nothing where the text is made of anything else.
fn parts(text: &str) -> Option<Vec<(&str, &str)>> {
    let mut rest = text.trim();
    let mut parts = Vec::new();
    while parts.is_empty() || !rest.is_empty() {
        let (number, after) = rest.split_at(rest.find(|c: char| !c.is_ascii_digit() && c != '.')?);
        let whole = number.starts_with(|c: char| c.is_ascii_digit()) && !number.ends_with('.');
        let after = after.trim_start();
        let letters = after.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(after.len());
        let (unit, after) = after.split_at(letters);
        if !whole || unit.is_empty() {
            return None;
        }
        parts.push((number, unit));
        rest = after.trim_start();
    }
    Some(parts)
}

/// The units that every detector knows, and their milliseconds.
const PLAIN_UNITS: [(&str, u64); 5] =
    [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1_000), ("ms", 1)];

/// Whether every detector understands it as it stands.
pub(crate) fn is_plain_duration(text: &str) -> bool {
    let is_plain = |(_, unit): &(&str, &str)| PLAIN_UNITS.iter().any(|(known, _)| known == unit);
    parts(text).is_some_and(|parts| parts.iter().all(is_plain))
}

/// As every detector understands it, to the millisecond: "1 h 30 min".
pub(crate) fn plain_duration(span: Span) -> String {
    let mut rest = span.millis();
    let mut parts = Vec::new();
    for (unit, size) in PLAIN_UNITS {
        if rest >= size {
            parts.push(format!("{} {unit}", rest / size));
            rest %= size;
        }
    }
    if parts.is_empty() { "0 s".to_owned() } else { parts.join(" ") }
}

/// What MQTT allows in a topic name; the limit is ours and far above any real topic.
const TOPIC_BYTES_MAX: usize = 512;

/// A single topic: MQTT 5 section 4.7 without wildcards.
pub(crate) fn topic(text: &str) -> Result<(), &'static str> {
    if text.contains(['+', '#']) {
        return Err("+ and # stand for many topics, and this must be a single one");
    }
    topic_text(text)
}

/// A topic filter to subscribe to: MQTT 5 section 4.7.
pub(crate) fn filter(text: &str) -> Result<(), &'static str> {
    topic_text(text)?;
    if text == "$share" || text.starts_with("$share/") {
        return Err("Idlegate would miss messages with a shared subscription");
    }
    let mut levels = text.split('/').peekable();
    while let Some(level) = levels.next() {
        if level.contains('#') && level != "#" {
            return Err("# must be a whole level");
        }
        if level == "#" && levels.peek().is_some() {
            return Err("# must be the last level");
        }
        if level.contains('+') && level != "+" {
            return Err("+ must be a whole level");
        }
    }
    Ok(())
}

fn topic_text(text: &str) -> Result<(), &'static str> {
    if text.is_empty() {
        return Err("a topic has at least one character");
    }
    if text.len() > TOPIC_BYTES_MAX {
        return Err("it is longer than 512 bytes");
    }
    if text.chars().any(|character| character.is_control()) {
        return Err("a topic cannot contain control characters");
    }
    Ok(())
}

/// The first levels of all our own topics.
pub(crate) fn prefix(text: &str) -> Result<(), &'static str> {
    topic(text)?;
    if text.starts_with('$') {
        return Err("topics that begin with $ belong to the broker");
    }
    if text.split('/').any(str::is_empty) {
        return Err("it has an empty level");
    }
    Ok(())
}

/// Whether some topic matches both filters.
pub(crate) fn filters_overlap(one: &str, other: &str) -> bool {
    // Wildcards in the first level do not match the broker's own topics (4.7.2).
    let reserved = |filter: &str| filter.starts_with('$');
    let wild = |filter: &str| filter.starts_with(['+', '#']);
    if (reserved(one) && wild(other)) || (reserved(other) && wild(one)) {
        return false;
    }
    let (mut left, mut right) = (one.split('/'), other.split('/'));
    loop {
        match (left.next(), right.next()) {
            (Some("#"), _) | (_, Some("#")) | (None, None) => return true,
            (Some(a), Some(b)) if a == b || a == "+" || b == "+" => {}
            (Some(_) | None, Some(_) | None) => return false,
        }
    }
}

/// RFC 6901 section 3.
pub(crate) fn pointer(text: &str) -> Result<(), &'static str> {
    if !text.is_empty() && !text.starts_with('/') {
        return Err("a pointer is empty or begins with /");
    }
    let mut rest = text;
    while let Some(at) = rest.find('~') {
        rest = &rest[at + 1..];
        if !rest.starts_with(['0', '1']) {
            return Err("a ~ is written ~0, and a / inside a name ~1");
        }
    }
    Ok(())
}

/// Units of IANA's SenML registry (RFC 8428 section 12.1, RFC 8798), as far as a workshop could want them.
pub(crate) const UNITS: &[&str] = &[
    "W", "kW", "VA", "kVA", "var", "kvar", "Wh", "kWh", "J", "V", "mV", "A", "mA", "Ah", "Ohm", "Hz", "MHz",
    "Cel", "K", "%RH", "%", "/", "Pa", "hPa", "N", "m", "mm", "cm", "m2", "m3", "l", "l/s", "m3/s", "m/s",
    "m/s2", "kg", "g", "s", "ms", "min", "h", "1/s", "1/min", "rad", "deg", "lx", "lm", "cd", "dB", "dBm",
    "dBW", "Bspl", "pH", "ppm", "ppb", "ug/m3", "kg/m3", "W/m2", "S/m", "C", "F", "H", "T", "Wb", "S", "mol",
    "count", "B", "B/s", "bit/s", "%EL", "EL",
];

/// What people write instead, and the code for it.
const UNIT_HABITS: [(&str, &str); 16] = [
    ("watt", "W"),
    ("watts", "W"),
    ("kilowatt", "kW"),
    ("kilowatts", "kW"),
    ("volt", "V"),
    ("volts", "V"),
    ("amp", "A"),
    ("amps", "A"),
    ("ampere", "A"),
    ("celsius", "Cel"),
    ("°c", "Cel"),
    ("degc", "Cel"),
    ("percent", "%"),
    ("rh", "%RH"),
    ("rpm", "1/min"),
    ("seconds", "s"),
];

/// The unit that was probably meant.
pub(crate) fn nearest_unit(wrong: &str) -> Option<&'static str> {
    let lower = wrong.to_lowercase();
    UNIT_HABITS
        .iter()
        .find(|(habit, _)| *habit == lower)
        .map(|(_, unit)| *unit)
        .or_else(|| UNITS.iter().copied().find(|unit| unit.to_lowercase() == lower))
        .or_else(|| nearest(wrong, UNITS.iter().copied().filter(|unit| unit.len() > 2)))
}

/// What a word of a sender can stand for.
pub(crate) const WORD_NUMBERS: std::ops::RangeInclusive<f64> = -1e9..=1e9;

/// Outside of these a reading is a fault of the meter.
pub(crate) fn plausible(unit: &str) -> (f64, f64) {
    match unit {
        // A little below nothing is a meter's noise.
        "W" | "VA" | "mA" | "mV" => (-10.0, 100_000.0),
        "kW" | "kVA" => (-0.01, 100.0),
        "V" | "A" => (-1.0, 1_000.0),
        "Cel" => (-100.0, 2_000.0),
        "K" => (0.0, 2_500.0),
        "%RH" | "%" => (-1.0, 101.0),
        _ => (-1e12, 1e12),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_detector_would_not_understand_is_written_anew_for_it() {
        for text in ["3 min", "90s", " 1 h 30 min ", "1h30min", "0.5 d", "250 ms", "0 s"] {
            assert!(is_plain_duration(text), "{text}");
        }
        for (text, plain) in [
            ("3 minutes", "3 min"),
            ("1 hour 30 minutes", "1 h 30 min"),
            ("2 days", "2 d"),
            ("1.5 hours", "1 h 30 min"),
            ("90 sec", "1 min 30 s"),
            ("1 week", "7 d"),
            ("0 sec", "0 s"),
        ] {
            assert!(!is_plain_duration(text), "{text}");
            assert_eq!(duration(text).map(plain_duration).as_deref(), Ok(plain), "{text}");
        }
    }

    #[test]
    fn durations_have_a_unit() {
        for (text, millis) in [
            ("10s", 10_000),
            ("3 min", 180_000),
            ("1h 30min", 5_400_000),
            ("250ms", 250),
            ("0s", 0),
            ("1.5s", 1_500),
        ] {
            assert_eq!(duration(text), Ok(Span(millis)), "{text}");
        }
        for text in
            ["", "10", "s", "-3s", "ten seconds", "10 lightyears", "1us", "99999999999999999999s", "10s\0"]
        {
            assert!(duration(text).is_err(), "{text}");
        }
    }

    /// The filters of OASIS MQTT 5.0 sections 4.7.1.2 and 4.7.1.3.
    #[test]
    fn filters_are_valid_as_the_standard_says() {
        for good in [
            "sport/tennis/player1/#",
            "sport/#",
            "#",
            "sport/tennis/#",
            "+",
            "+/tennis/#",
            "sport/+/player1",
            "/finance",
            "+/+",
            "$SYS/#",
            "$SYS/monitor/+",
            "a//b",
            "Öfen/1",
        ] {
            assert_eq!(filter(good), Ok(()), "{good}");
        }
        for bad in [
            "sport/tennis#",
            "sport/tennis/#/ranking",
            "sport+",
            "",
            "a\0b",
            "$share/group/a",
            "$share",
            "a/#b",
        ] {
            assert!(filter(bad).is_err(), "{bad:?}");
        }
        assert!(topic("a/+").is_err() && topic("a/#").is_err() && topic("a/b").is_ok());
        for bad in ["", "/a", "a/", "a//b", "$SYS", "a/#"] {
            assert!(prefix(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn filters_overlap_when_one_topic_matches_both() {
        for (one, other, overlap) in [
            ("a/b", "a/b", true),
            ("a/b", "a/c", false),
            ("a/+", "a/b", true),
            ("a/+", "+/b", true),
            ("a/#", "a/b/c", true),
            ("a/#", "a", true),
            ("a/+", "a", false),
            ("+/+", "/a", true),
            ("#", "$SYS/a", false),
            ("+/a", "$SYS/a", false),
            ("a/b/#", "a/+/c", true),
        ] {
            assert_eq!(filters_overlap(one, other), overlap, "{one} {other}");
            assert_eq!(filters_overlap(other, one), overlap, "{other} {one}");
        }
    }

    /// The pointers of RFC 6901 section 5, and texts that are none.
    #[test]
    fn pointers_are_valid_as_the_standard_says() {
        for good in
            ["", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"]
        {
            assert_eq!(pointer(good), Ok(()), "{good}");
        }
        for bad in ["foo", "$.foo", "/a~", "/a~2", "/~"] {
            assert!(pointer(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn units_are_those_of_the_senml_registry() {
        let registry = include_str!("../../../tests/published/senml-units.csv");
        let registered: Vec<&str> =
            registry.lines().skip(1).map(|line| line.split(',').next().unwrap()).collect();
        for unit in UNITS {
            assert!(registered.contains(unit), "{unit}");
        }
        for (habit, unit) in UNIT_HABITS {
            assert!(registered.contains(&unit), "{habit} is meant for {unit}");
            assert!(!registered.contains(&habit), "{habit} is a unit of its own");
        }
        let left_out: Vec<&str> = registered.into_iter().filter(|unit| !UNITS.contains(unit)).collect();
        assert_eq!(
            left_out,
            [
                "sr", "Bq", "Gy", "Sv", "kat", "cd/m2", "bit", "lat", "lon", "beat/min", "beats", "VAs",
                "vars", "J/m", "NTU", "varh", "kvarh", "kVAh", "Wh/km", "KiB", "GB", "Mbit/s", "MB/s",
                "mm/h", "m/h", "/100", "/1000", "km", "km/h", "ppt", "VAh", "mg/l", "ug/l", "g/l"
            ],
            "what no workshop has asked for yet"
        );
    }

    #[test]
    fn the_nearest_name_is_near() {
        let known = ["tube-current", "power", "lid"];
        assert_eq!(nearest("tube-curent", known), Some("tube-current"));
        assert_eq!(nearest("tube_current", known), Some("tube-current"));
        assert_eq!(nearest("Power", known), Some("power"));
        assert_eq!(nearest("temperature", known), None);
        assert_eq!(nearest("", known), None);
        assert_eq!(nearest("of", ["on", "off"]), Some("off"));
        assert_eq!(nearest(&"x".repeat(100_000), known), None);
        assert_eq!(nearest_unit("watts"), Some("W"));
        assert_eq!(nearest_unit("KW"), Some("kW"));
        assert_eq!(nearest_unit("°C"), Some("Cel"));
    }
}
