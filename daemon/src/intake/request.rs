//! Requests on our own topics: which machine, and what.

use serde_json::Value as Json;

use super::rejection::{Rejection, bounded, parse_strictly};
use crate::event::Name;
use crate::guard::RequestKind;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParsedRequest {
    pub machine: String,
    pub request: RequestKind,
    /// The sender's own id of this event; an id answered before is not answered again.
    pub id: Option<String>,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RequestFault {
    #[error(transparent)]
    Payload(#[from] Rejection),
    #[error(r#"a request is a JSON object such as {{"machine":"mill","request":"off"}}"#)]
    NotAnObject,
    #[error("{member:?} is missing")]
    Missing { member: &'static str },
    #[error("{member:?} is not a text of 1 to {max} characters")]
    NotAText { member: &'static str, max: usize },
    #[error("{0:?} is no member of a request: those are machine, request and id")]
    UnknownMember(String),
    #[error("{word:?} is no request{}", nearest(.word))]
    UnknownRequest { word: String },
}

const REQUEST_BYTES_MAX: usize = 2_048;
const ID_CHARS_MAX: usize = 128;

pub fn parse_request(payload: &[u8]) -> Result<ParsedRequest, RequestFault> {
    if payload.len() > REQUEST_BYTES_MAX {
        return Err(Rejection::TooLong(payload.len()).into());
    }
    let text = std::str::from_utf8(payload).map_err(|_| Rejection::NotUtf8)?;
    let Json::Object(members) = parse_strictly(text)? else { return Err(RequestFault::NotAnObject) };
    if let Some(unknown) = members.keys().find(|name| !matches!(name.as_str(), "machine" | "request" | "id"))
    {
        return Err(RequestFault::UnknownMember(bounded(unknown)));
    }
    let text = |member: &'static str, max: usize| match members.get(member) {
        None => Ok(None),
        Some(Json::String(text)) if !text.is_empty() && text.chars().count() <= max => Ok(Some(text.clone())),
        Some(_) => Err(RequestFault::NotAText { member, max }),
    };
    let machine = text("machine", Name::LEN_MAX)?.ok_or(RequestFault::Missing { member: "machine" })?;
    let word = text("request", Name::LEN_MAX)?.ok_or(RequestFault::Missing { member: "request" })?;
    let request =
        RequestKind::from_word(&word).ok_or_else(|| RequestFault::UnknownRequest { word: bounded(&word) })?;
    Ok(ParsedRequest { machine, request, id: text("id", ID_CHARS_MAX)? })
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
        assert_eq!(parsed.machine, "mill");
        assert_eq!(parsed.request, RequestKind::ForceOff);
        assert_eq!(parsed.id.as_deref(), Some("7"));
    }

    #[test]
    fn a_bad_request_is_told_what_is_wrong_with_it() {
        for (payload, fault) in [
            ("off", "the payload is not JSON: expected value at line 1 column 1"),
            ("[]", r#"a request is a JSON object such as {"machine":"mill","request":"off"}"#),
            (r#"{"machine":"mill"}"#, r#""request" is missing"#),
            (
                r#"{"machine":"mill","request":"force-of"}"#,
                r#""force-of" is no request; did you mean "force-off"?"#,
            ),
            (r#"{"machine":7,"request":"off"}"#, r#""machine" is not a text of 1 to 32 characters"#),
            (
                r#"{"machine":"mill","request":"off","now":1}"#,
                r#""now" is no member of a request: those are machine, request and id"#,
            ),
            (
                r#"{"machine":"mill","machine":"kiln","request":"off"}"#,
                r#"the member "machine" stands in the payload twice"#,
            ),
        ] {
            assert_eq!(parse_request(payload.as_bytes()).unwrap_err().to_string(), fault, "{payload}");
        }
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
