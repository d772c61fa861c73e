//! Somebody far away, with a phone. Nothing is forced from there without the token of the answer before.

use idlegate_guard::time::Span;
use idlegate_guard::{Confirm, RequestKind};
use serde_json::json;

use super::rules::PLACES;
use super::wire::{Due, Sent, What};
use super::world::World;

pub(super) const PHONE: &str = "phone";
/// One that nobody was ever given.
const INVENTED: &str = "k7pm-2xqd";

pub(super) fn payload(place: usize, kind: RequestKind, confirm: Option<&str>) -> String {
    let mut request = json!({ "machine": PLACES[place].machine, "request": kind.word() });
    if let Some(confirm) = confirm {
        request["confirm"] = json!(confirm);
    }
    request.to_string()
}

impl World<'_> {
    pub(super) fn phone(&mut self, place: usize, kind: RequestKind, after: Span, confirm: Option<String>) {
        let at = self.now + after;
        let message = Sent {
            topic: format!("idlegate/request/{PHONE}"),
            payload: payload(place, kind, confirm.as_deref()),
            retained: false,
            sent: at,
            what: What::Request {
                input: PHONE,
                places: vec![place],
                group: false,
                kind,
                event_id: None,
                confirm,
            },
            there: false,
        };
        self.agenda.plan(at, Due::Speak(message));
    }

    /// Whoever reads the answer gives up, forces with its token, in time or not, or mistakes it.
    pub(super) fn phone_hears(&mut self, place: usize, confirm: Confirm) {
        let token = idlegate_engine::token_text(confirm.token);
        let other = self.tokens[(place + 1) % PLACES.len()].clone();
        self.tokens[place] = Some(token.clone());
        if self.is_healed {
            return self.phone(place, RequestKind::ForceOff, Span::secs(2), Some(token));
        }
        let after = self.fate.span(Span(300), Span::secs(12));
        let brings = match self.fate.span(Span(0), Span(9)).0 {
            0..3 => return,
            3 => None,
            4 => Some(INVENTED.to_owned()),
            5 => other,
            _ => Some(token),
        };
        self.phone(place, RequestKind::ForceOff, after, brings);
    }
}
