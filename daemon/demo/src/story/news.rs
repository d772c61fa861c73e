//! What the daemon publishes, as far as a story needs it.

use idlegate_messages::{Decision, MachineStatus, Told, Topics, read};

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StoryNews {
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
    /// What is true of several machines is said once.
    pub machines: Vec<String>,
    pub kind: String,
    pub sentence: String,
    pub incident: bool,
}

/// A sentence longer than this is cut; nobody reads it in a demo.
const TEXT_CHARS_MAX: usize = 400;

impl StoryNews {
    /// None if a message is not one of these.
    pub fn read(prefix: &str, topic: &str, payload: &[u8]) -> Option<StoryNews> {
        let topics = Topics::new(prefix);
        if topic == topics.decision() {
            return decision(&read(payload)?);
        }
        if topic == topics.announcement() {
            return told(&read(payload)?, false);
        }
        if topic == topics.incident() {
            return told(&read(payload)?, true);
        }
        let machine = printable(topic.strip_prefix(&*topics.machine(""))?);
        let MachineStatus { state, .. } = read(payload)?;
        (!state.is_empty()).then(|| StoryNews::Status { machine, state: printable(&state) })
    }
}

fn decision(said: &Decision) -> Option<StoryNews> {
    if said.decision.is_empty() || said.reason.is_empty() {
        return None;
    }
    Some(StoryNews::Decision(DecisionNews {
        // A request for a machine that does not exist names none.
        machine: said.machine.as_deref().map(printable).unwrap_or_default(),
        decision: printable(&said.decision),
        reason: printable(&said.reason),
        sentence: printable(&said.sentence),
    }))
}

/// None where it is about no machine, or is the end of an incident.
fn told(told: &Told, incident: bool) -> Option<StoryNews> {
    if told.machines.is_empty() || told.kind.is_empty() || (incident && told.over) {
        return None;
    }
    Some(StoryNews::Told(ToldNews {
        machines: told.machines.iter().map(|machine| printable(machine)).collect(),
        kind: printable(&told.kind),
        sentence: printable(&told.sentence),
        incident,
    }))
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
        assert_eq!(
            StoryNews::read("shop/a", "shop/a/decision", payload),
            Some(StoryNews::Decision(expected))
        );
    }

    #[test]
    fn incidents_are_told_when_they_begin_and_statuses_say_a_word() {
        let incident =
            br#"{"machines":["kiln"],"kind":"off-by-another-route","sentence":"Off.","over":false}"#;
        let Some(StoryNews::Told(told)) = StoryNews::read("p", "p/incident", incident) else {
            panic!("not told")
        };
        assert!(told.incident && told.kind == "off-by-another-route");
        let over = br#"{"machines":["kiln"],"kind":"off-by-another-route","sentence":"Off.","over":true}"#;
        assert_eq!(StoryNews::read("p", "p/incident", over), None);
        let status = StoryNews::read("p", "p/machine/kiln", br#"{"state":"busy"}"#);
        assert_eq!(status, Some(StoryNews::Status { machine: "kiln".into(), state: "busy".into() }));
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
            assert_eq!(StoryNews::read("p", topic, payload), None, "{topic}");
        }
    }

    #[test]
    fn no_message_can_move_the_cursor() {
        let payload = br#"{"machines":["m"],"kind":"k","sentence":"a\u001b[2Jb\n\u202ec"}"#;
        let Some(StoryNews::Told(told)) = StoryNews::read("p", "p/announcement", payload) else {
            panic!("not told")
        };
        assert_eq!(told.sentence, "a?[2Jb??c");
    }
}
