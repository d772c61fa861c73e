//! Requests on our own topics: which machine or group, and what.

use std::time::Duration;

use serde_json::{Map, Value as Json};

use super::rejection::{Rejection, parse_strictly};
use idlegate_guard::time::{Span, WallTime};
use idlegate_guard::{Policy, RequestKind};
use idlegate_plan::event::Name;
use idlegate_plan::text::{bounded, parse_time};

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParsedRequest {
    pub asked: Addressee,
    pub request: RequestKind,
    /// The sender's own id of this event; an id answered before is not answered again.
    pub id: Option<String>,
    /// Who asks, by the sender's word.
    pub who: Option<String>,
    /// How long a keep-on is meant for, where it says so.
    pub keep_on: Option<Meant>,
    /// The token of an earlier answer.
    pub confirm: Option<String>,
    /// What whoever locks says of it.
    pub note: Option<String>,
    /// Which service was done.
    pub service: Option<String>,
}

impl ParsedRequest {
    /// How long a keep-on is meant for from now on, where it says so.
    pub fn keep_for(&self, now: WallTime) -> Result<Option<Span>, RequestFault> {
        self.keep_on.map(|meant| meant.span(now)).transpose()
    }
}

/// Which of them is asked, as the sender has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Addressee {
    Machine(String),
    Group(String),
}

/// How long, or until when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meant {
    For(Span),
    Until(WallTime),
}

impl Meant {
    /// From now on.
    pub fn span(self, now: WallTime) -> Result<Span, RequestFault> {
        match self {
            Meant::For(span) => Ok(span),
            Meant::Until(until) if until <= now => Err(RequestFault::Over),
            Meant::Until(until) => {
                let span = Span(until.0.abs_diff(now.0));
                if span > Policy::KEEP_ON_MAX { Err(RequestFault::TooLong) } else { Ok(span) }
            }
        }
    }
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RequestFault {
    #[error(transparent)]
    Payload(#[from] Rejection),
    #[error(r#"a request is a JSON object such as {{"machine":"mill","request":"off"}}"#)]
    NotAnObject,
    #[error("{member:?} is missing")]
    Missing { member: &'static str },
    #[error("\"machine\" is missing, or \"group\" for several machines at once")]
    NobodyAsked,
    #[error("a request is for a machine or for a group; give only one of the two")]
    TwoAsked,
    #[error("{0:?} makes no sense for a group; ask each machine by itself")]
    NotOfGroup(&'static str),
    #[error("{member:?} is not a text of 1 to {max} characters")]
    NotAText { member: &'static str, max: usize },
    #[error(
        "{0:?} is no member of a request: those are machine, group, request, id, who, confirm, for_s, until, note and service"
    )]
    UnknownMember(String),
    #[error("{word:?} is no request{}", nearest(.word))]
    UnknownRequest { word: String },
    #[error("{0:?} belongs to keep-on, and to no other request")]
    NotKept(&'static str),
    #[error("\"for_s\" and \"until\" say the same in two ways; give one of them")]
    SaidTwice,
    #[error("\"for_s\" is not a number of seconds above 0")]
    NotSeconds,
    #[error("\"until\" is not a time such as \"2026-11-30T07:00:00+01:00\" (RFC 3339)")]
    NotATime,
    #[error(
        "its end is more than 24 h away: a machine is kept on for a day at most, and whoever needs more asks again"
    )]
    TooLong,
    #[error("the time in \"until\" is over")]
    Over,
}

const REQUEST_BYTES_MAX: usize = 2_048;
const NOTE_CHARS_MAX: usize = 200;
const ID_CHARS_MAX: usize = 128;

const MEMBERS: [&str; 10] =
    ["machine", "group", "request", "id", "who", "confirm", "for_s", "until", "note", "service"];

pub fn parse_request(payload: &[u8]) -> Result<ParsedRequest, RequestFault> {
    if payload.len() > REQUEST_BYTES_MAX {
        return Err(Rejection::TooLong(payload.len()).into());
    }
    let text = std::str::from_utf8(payload).map_err(|_| Rejection::NotUtf8)?;
    let Json::Object(members) = parse_strictly(text)? else { return Err(RequestFault::NotAnObject) };
    if let Some(unknown) = members.keys().find(|name| !MEMBERS.contains(&name.as_str())) {
        return Err(RequestFault::UnknownMember(bounded(unknown)));
    }
    let text = |member: &'static str, max: usize| match members.get(member) {
        None => Ok(None),
        Some(Json::String(text)) if !text.is_empty() && text.chars().count() <= max => Ok(Some(text.clone())),
        Some(_) => Err(RequestFault::NotAText { member, max }),
    };
    let asked = match (text("machine", Name::LEN_MAX)?, text("group", Name::LEN_MAX)?) {
        (Some(machine), None) => Addressee::Machine(machine),
        (None, Some(group)) => Addressee::Group(group),
        (None, None) => return Err(RequestFault::NobodyAsked),
        (Some(_), Some(_)) => return Err(RequestFault::TwoAsked),
    };
    let word = text("request", Name::LEN_MAX)?.ok_or(RequestFault::Missing { member: "request" })?;
    let request =
        RequestKind::from_word(&word).ok_or_else(|| RequestFault::UnknownRequest { word: bounded(&word) })?;
    // Each is a matter between somebody and one machine.
    if matches!(asked, Addressee::Group(_))
        && let Some(stray) =
            ["confirm", "note", "service"].into_iter().find(|member| members.contains_key(*member))
    {
        return Err(RequestFault::NotOfGroup(stray));
    }
    Ok(ParsedRequest {
        asked,
        request,
        id: text("id", ID_CHARS_MAX)?,
        who: text("who", ID_CHARS_MAX)?,
        keep_on: keep_on(request, &members)?,
        confirm: text("confirm", Name::LEN_MAX)?,
        note: text("note", NOTE_CHARS_MAX)?,
        service: text("service", Name::LEN_MAX)?,
    })
}

fn keep_on(request: RequestKind, members: &Map<String, Json>) -> Result<Option<Meant>, RequestFault> {
    let (length, end) = (members.get("for_s"), members.get("until"));
    if request != RequestKind::KeepOn {
        let stray = [("for_s", length), ("until", end)].into_iter().find(|(_, said)| said.is_some());
        return stray.map_or(Ok(None), |(member, _)| Err(RequestFault::NotKept(member)));
    }
    match (length, end) {
        (None, None) => Ok(None),
        (Some(_), Some(_)) => Err(RequestFault::SaidTwice),
        (Some(seconds), None) => {
            let seconds =
                seconds.as_f64().filter(|seconds| *seconds > 0.0).ok_or(RequestFault::NotSeconds)?;
            let length = Duration::try_from_secs_f64(seconds).map_err(|_| RequestFault::TooLong)?;
            let span = Span::from(length);
            if span > Policy::KEEP_ON_MAX { Err(RequestFault::TooLong) } else { Ok(Some(Meant::For(span))) }
        }
        (None, Some(end)) => {
            let end = end.as_str().and_then(|text| parse_time(text).ok()).ok_or(RequestFault::NotATime)?;
            Ok(Some(Meant::Until(end)))
        }
    }
}

fn nearest(word: &str) -> String {
    let distance = |kind: &RequestKind| strsim::damerau_levenshtein(kind.word(), word);
    match RequestKind::ALL.into_iter().min_by_key(distance).filter(|kind| distance(kind) <= 2) {
        Some(kind) => format!("; did you mean {:?}?", kind.word()),
        None => {
            let words: Vec<_> = RequestKind::ALL.iter().map(|kind| kind.word()).collect();
            format!("; there are {}", words.join(", "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_names_a_machine_and_what_is_wanted() {
        let parsed = parse_request(br#"{"machine":"mill","request":"force-off","id":"7"}"#).unwrap();
        assert_eq!(parsed.asked, Addressee::Machine("mill".to_owned()));
        assert_eq!(parsed.request, RequestKind::ForceOff);
        assert_eq!(parsed.id.as_deref(), Some("7"));
    }

    #[test]
    fn a_request_names_a_group_in_place_of_a_machine() {
        let parsed = parse_request(br#"{"group":"evening","request":"off-once-idle"}"#).unwrap();
        assert_eq!(parsed.asked, Addressee::Group("evening".to_owned()));
        assert_eq!(parsed.request, RequestKind::OffOnceIdle);
    }

    #[test]
    fn a_bad_request_is_told_what_is_wrong_with_it() {
        for (payload, fault) in [
            ("off", "the payload is not JSON: expected value at line 1 column 1"),
            ("[]", r#"a request is a JSON object such as {"machine":"mill","request":"off"}"#),
            (r#"{"machine":"mill"}"#, r#""request" is missing"#),
            (r#"{"request":"off"}"#, r#""machine" is missing, or "group" for several machines at once"#),
            (
                r#"{"machine":"mill","group":"evening","request":"off"}"#,
                "a request is for a machine or for a group; give only one of the two",
            ),
            (
                r#"{"group":"evening","request":"off","note":"late"}"#,
                r#""note" makes no sense for a group; ask each machine by itself"#,
            ),
            (r#"{"group":["mill"],"request":"off"}"#, r#""group" is not a text of 1 to 32 characters"#),
            (
                r#"{"machine":"mill","request":"force-of"}"#,
                r#""force-of" is no request; did you mean "force-off"?"#,
            ),
            (r#"{"machine":7,"request":"off"}"#, r#""machine" is not a text of 1 to 32 characters"#),
            (
                r#"{"machine":"mill","request":"off","now":1}"#,
                r#""now" is no member of a request: those are machine, group, request, id, who, confirm, for_s, until, note and service"#,
            ),
            (
                r#"{"machine":"mill","machine":"kiln","request":"off"}"#,
                r#"the member "machine" stands in the payload twice"#,
            ),
            (
                r#"{"machine":"mill","request":"off","for_s":60}"#,
                r#""for_s" belongs to keep-on, and to no other request"#,
            ),
            (
                r#"{"machine":"mill","request":"keep-on","for_s":"8 h"}"#,
                r#""for_s" is not a number of seconds above 0"#,
            ),
            (
                r#"{"machine":"mill","request":"keep-on","for_s":90000}"#,
                "its end is more than 24 h away: a machine is kept on for a day at most, and whoever needs more asks again",
            ),
            (
                r#"{"machine":"mill","request":"keep-on","until":"tomorrow"}"#,
                r#""until" is not a time such as "2026-11-30T07:00:00+01:00" (RFC 3339)"#,
            ),
        ] {
            assert_eq!(parse_request(payload.as_bytes()).unwrap_err().to_string(), fault, "{payload}");
        }
    }

    #[test]
    fn a_keep_on_says_how_long_or_until_when_or_neither() {
        let meant = |payload: &str, now: &str| {
            let parsed = parse_request(payload.as_bytes()).unwrap();
            parsed.keep_for(parse_time(now).unwrap())
        };
        let night = "2026-11-29T22:00:00+01:00";
        assert_eq!(meant(r#"{"machine":"kiln","request":"keep-on"}"#, night), Ok(None));
        let for_an_hour = r#"{"machine":"kiln","request":"keep-on","for_s":3600}"#;
        assert_eq!(meant(for_an_hour, night), Ok(Some(Span::secs(3_600))));
        let until_seven = r#"{"machine":"kiln","request":"keep-on","until":"2026-11-30T06:00:00Z"}"#;
        assert_eq!(meant(until_seven, night), Ok(Some(Span::secs(9 * 3_600))));
        assert_eq!(meant(until_seven, "2026-11-30T07:00:00+01:00"), Err(RequestFault::Over));
        assert_eq!(meant(until_seven, "2026-11-28T22:00:00+01:00"), Err(RequestFault::TooLong));
    }

    /// What a hostile sender writes stays on its line, and cannot turn the line around or forge another.
    #[test]
    fn what_is_told_of_a_bad_request_is_one_bounded_line() {
        for hostile in ["\\n[error] all is well", "\\u001b[2J", "\\u0000", "\\u202e", &"x".repeat(1_500)] {
            for payload in [
                format!(r#"{{"machine":"mill","request":"{hostile}"}}"#),
                format!(r#"{{"machine":"mill","request":"off","{hostile}":1}}"#),
                format!(r#"{{"{hostile}":1,"{hostile}":2}}"#),
            ] {
                let told = parse_request(payload.as_bytes()).unwrap_err().to_string();
                assert!(told.chars().count() < 300, "{told}");
                assert!(!told.chars().any(|char| char.is_control() || char == '\u{202e}'), "{told:?}");
            }
        }
    }

    proptest::proptest! {
        #[test]
        fn no_payload_brings_the_parser_down(payload: Vec<u8>, json in r#"[{}\[\]":,a-z0-9 ]{0,60}"#) {
            let _ = parse_request(&payload);
            let _ = parse_request(json.as_bytes());
        }
    }
}
