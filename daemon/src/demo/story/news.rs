//! What the daemon publishes, as far as a story needs it. A story ignores keys that it does not know.

use serde_json::Value as Json;

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    Decision(DecisionNews),
    /// An announcement or an incident: something said to people.
    Told(ToldNews),
    /// The machine's status says idle, busy or unknown.
    Status {
        machine: String,
        state: String,
    },
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DecisionNews {
    pub machine: String,
    pub decision: String,
    pub reason: String,
    pub sentence: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ToldNews {
    pub machine: String,
    pub kind: String,
    pub sentence: String,
    pub incident: bool,
}

/// A sentence longer than this is cut; nobody reads it in a demo.
const TEXT_CHARS_MAX: usize = 400;

impl News {
    /// None if a message is not one of these.
    pub fn read(prefix: &str, topic: &str, payload: &[u8]) -> Option<News> {
        let topic = topic.strip_prefix(prefix)?.strip_prefix('/')?;
        let message: Json = serde_json::from_slice(payload).ok()?;
        let text = |key: &str| message.get(key).and_then(Json::as_str).map(printable);
        let told = |incident| {
            Some(News::Told(ToldNews {
                machine: text("machine")?,
                kind: text("kind")?,
                sentence: text("sentence")?,
                incident,
            }))
        };
        match topic {
            "decision" => Some(News::Decision(DecisionNews {
                // A request for a machine that does not exist names none.
                machine: text("machine").unwrap_or_default(),
                decision: text("decision")?,
                reason: text("reason")?,
                sentence: text("sentence").unwrap_or_default(),
            })),
            "announcement" => told(false),
            "incident" if message.get("over") == Some(&Json::Bool(true)) => None,
            "incident" => told(true),
            _ => {
                let machine = printable(topic.strip_prefix("machine/")?);
                Some(News::Status { machine, state: text("state")? })
            }
        }
    }
}

/// Text from a broker may hold anything; it must not control the terminal.
fn printable(text: &str) -> String {
    let unsafe_in_a_terminal = |letter: char| {
        letter.is_control()
            || matches!(letter, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let safe = |letter: char| if unsafe_in_a_terminal(letter) { '?' } else { letter };
    text.chars().take(TEXT_CHARS_MAX).map(safe).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decision_is_read_whatever_else_stands_in_it() {
        let payload =
            br#"{"machine":"mill","decision":"held","reason":"machine-busy","sentence":"No.","new":[1]}"#;
        let expected = DecisionNews {
            machine: "mill".into(),
            decision: "held".into(),
            reason: "machine-busy".into(),
            sentence: "No.".into(),
        };
        assert_eq!(News::read("shop/a", "shop/a/decision", payload), Some(News::Decision(expected)));
    }

    #[test]
    fn incidents_are_told_when_they_begin_and_statuses_say_a_word() {
        let incident = br#"{"machine":"kiln","kind":"off-by-another-route","sentence":"Off.","over":false}"#;
        let Some(News::Told(told)) = News::read("p", "p/incident", incident) else { panic!("not told") };
        assert!(told.incident && told.kind == "off-by-another-route");
        let over = br#"{"machine":"kiln","kind":"off-by-another-route","sentence":"Off.","over":true}"#;
        assert_eq!(News::read("p", "p/incident", over), None);
        let status = News::read("p", "p/machine/kiln", br#"{"state":"busy"}"#);
        assert_eq!(status, Some(News::Status { machine: "kiln".into(), state: "busy".into() }));
    }

    #[test]
    fn what_is_not_news_is_no_news() {
        for (topic, payload) in [
            ("p/decision", &b"not json"[..]),
            ("p/decision", b"{}"),
            ("p/health", b"{\"guard\":\"guarding\"}"),
            ("q/decision", b"{}"),
            ("p", b"{}"),
            ("p/machine/kiln", b"\xff"),
        ] {
            assert_eq!(News::read("p", topic, payload), None, "{topic}");
        }
    }

    #[test]
    fn no_message_can_move_the_cursor() {
        let payload = br#"{"machine":"m","kind":"k","sentence":"a\u001b[2Jb\n\u202ec"}"#;
        let Some(News::Told(told)) = News::read("p", "p/announcement", payload) else { panic!("not told") };
        assert_eq!(told.sentence, "a?[2Jb??c");
    }
}
