//! How much of an input is judged. Each has a quota of its own, far above what hands can do, so that whatever one of
//! them sends costs nobody but itself.
//!
//! An input may ask for different things: a panel that asks for `off` without end can still ask for `force-off`. An
//! emergency is never turned away here; see [`super::emergencies`].

use std::collections::BTreeMap;
use std::sync::Arc;

use super::core::Engine;
use super::effect::{Effect, ShopIncident, Trouble};
use idlegate_guard::RequestKind;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::Name;

/// Of each kind of request, again and again. People manage some ten a second.
const EACH: Span = Span(50);
/// Of each kind of request at once, after a pause.
const AT_ONCE: u64 = 40;
/// It is counted for so long before people are told how much it is.
const COUNTED_FOR: Span = Span::secs(1);
/// So many requests not heard in that time are a flood, and no clumsiness.
const FLOOD_MIN: u64 = 20;
/// And so many messages that are no requests. On a button's topic other things may be said.
const CHATTER_MIN: u64 = 1_000;
/// Without a message that was not heard, it is over.
const OVER_AFTER: Span = Span::secs(10);

/// What of an input is counted by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Said {
    Request(RequestKind),
    NoRequest,
}

#[derive(Debug, Default)]
pub(super) struct Quotas(BTreeMap<Name, OfInput>);

#[derive(Debug, Default)]
struct OfInput {
    buckets: BTreeMap<Said, Bucket>,
    counted: Option<Counted>,
    flood: Option<Flood>,
}

/// Filled as time passes: what it holds is when it was or will be full.
#[derive(Clone, Copy, Debug)]
struct Bucket {
    full_at: Moment,
}

#[derive(Clone, Copy, Debug, Default)]
struct Counted {
    since: Moment,
    heard: u64,
    requests: u64,
    chatter: u64,
}

/// One that has been told.
#[derive(Clone, Copy, Debug)]
struct Flood {
    last: Moment,
    unheard: u64,
}

impl Quotas {
    /// Whether one more of these may be judged.
    pub(super) fn allows(&mut self, now: Moment, input: &Name, said: Said) -> bool {
        let input = self.of(input);
        let bucket = input.buckets.entry(said).or_insert(Bucket { full_at: now });
        let full_at = bucket.full_at.max(now);
        let heard = full_at.since(now).0 + EACH.0 <= EACH.0 * AT_ONCE;
        if heard {
            bucket.full_at = full_at + EACH;
            input.counted.iter_mut().for_each(|counted| counted.heard += 1);
        } else {
            input.not_heard(now, said, 1);
        }
        heard
    }

    /// Dropped before they got here.
    pub(super) fn unheard(&mut self, now: Moment, input: &Name, count: u64) {
        self.of(input).not_heard(now, Said::NoRequest, count);
    }

    /// One that stands for an emergency off which has been sent just now.
    pub(super) fn repeated(&mut self, now: Moment, input: &Name) {
        self.of(input).not_heard(now, Said::Request(RequestKind::EmergencyOff), 1);
    }

    fn of(&mut self, input: &Name) -> &mut OfInput {
        if !self.0.contains_key(input) {
            self.0.insert(input.clone(), OfInput::default());
        }
        self.0.get_mut(input).expect("it is there or was just made")
    }

    /// Inputs that have left the rules are nobody's flood.
    pub(super) fn retain(&mut self, known: impl Fn(&Name) -> bool) {
        self.0.retain(|input, _| known(input));
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        self.0.values().filter_map(OfInput::deadline).min()
    }
}

impl OfInput {
    fn not_heard(&mut self, now: Moment, said: Said, count: u64) {
        let counted = self.counted.get_or_insert(Counted { since: now, ..Counted::default() });
        match said {
            Said::Request(_) => counted.requests += count,
            Said::NoRequest => counted.chatter += count,
        }
        if let Some(flood) = &mut self.flood {
            flood.last = now;
            flood.unheard += count;
        }
    }

    fn deadline(&self) -> Option<Moment> {
        let counted = self.counted.map(|counted| counted.since + COUNTED_FOR);
        let over = self.flood.map(|flood| flood.last + OVER_AFTER);
        counted.into_iter().chain(over).min()
    }

    /// What is to be told now, and whether it is over.
    fn look(&mut self, now: Moment) -> Option<(Amount, bool)> {
        if let Some(counted) = self.counted.take_if(|counted| counted.since + COUNTED_FOR <= now)
            && self.flood.is_none()
            && (counted.requests >= FLOOD_MIN || counted.chatter >= CHATTER_MIN)
        {
            let unheard = counted.requests + counted.chatter;
            self.flood = Some(Flood { last: now, unheard });
            let per_second = |count: u64| count * 1_000 / now.since(counted.since).0.max(1);
            let (sent, heard) = (per_second(counted.heard + unheard), per_second(counted.heard));
            return Some((Amount { sent, heard, unheard }, false));
        }
        let flood = self.flood.take_if(|flood| flood.last + OVER_AFTER <= now)?;
        Some((Amount { sent: 0, heard: 0, unheard: flood.unheard }, true))
    }
}

struct Amount {
    sent: u64,
    heard: u64,
    unheard: u64,
}

impl Engine {
    pub(super) fn look_at_quotas(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.quotas.deadline().is_none_or(|due| due > now.moment) {
            return;
        }
        for (input, of_input) in &mut self.quotas.0 {
            let Some((Amount { sent, heard, unheard }, over)) = of_input.look(now.moment) else { continue };
            let title = self.plan.input(input.as_str()).map_or(input.as_str(), |(_, input)| &input.title);
            let (input, title): (Name, Arc<str>) = (input.clone(), title.into());
            let what = Trouble::Flood { input, title, sent, heard, unheard };
            out.push(Effect::ShopIncident(ShopIncident { at: now, what, urgent: false, over }));
        }
    }
}
