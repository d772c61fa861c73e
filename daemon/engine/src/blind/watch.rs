//! The one place that decides whether a blindness is told, and that it is told once.
//!
//! Something that cannot be seen is doubted at first. When it has lasted as long as its limit it is due; what becomes
//! due, or can be seen again, within two seconds is told together. A blindness that a former run has told goes on, and
//! is told only when it ends.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{BlindSpot, BlindSpotsTold, Blindness, Consequence, FormerBlindSpot};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::Name;

/// How often it is looked.
const LOOK_EVERY: Span = Span::secs(2);
/// What comes so close together is one announcement.
const TOGETHER: Span = Span::secs(2);
/// After a connection was made everything is heard anew, and what a former run has told may not have been read yet.
const SETTLES_IN: Span = Span::secs(10);
/// It must be seen for so long, a quarter of its limit but no longer than this, or the doubt goes on.
const SEEN_AGAIN_MAX: Span = Span::secs(60);

/// What is looked at: one part of one machine, an input, or something of the shop.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Spot {
    pub(super) kind: Blindness,
    pub(super) of: Option<Name>,
    pub(super) part: Option<Name>,
}

/// How it looks now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sight {
    /// Since a time that is known, or since it was first looked at.
    Blind {
        since: Option<Moment>,
    },
    Sees,
    /// Nobody can tell, or it does not matter now.
    Untold,
}

/// What is to be said of it.
#[derive(Clone, Debug)]
pub(super) struct Facts {
    pub(super) title: Arc<str>,
    pub(super) one_of_several: bool,
    pub(super) why: Option<Arc<str>>,
    pub(super) meanwhile: Consequence,
    pub(super) urgent: bool,
}

#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub(super) spot: Spot,
    pub(super) sight: Sight,
    /// Its limit.
    pub(super) after: Span,
    /// People hear of it in another way: it is only shown.
    pub(super) quiet: bool,
    pub(super) facts: Facts,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Doubted,
    /// To be told with the others.
    Due,
    Told,
    /// Its end is to be told with the others.
    Ending,
}

#[derive(Debug)]
struct Known {
    stage: Stage,
    since: Moment,
    /// It began before this run.
    began: Option<WallTime>,
    sees_since: Option<Moment>,
    /// It was seen for moments in between, so that one more is not its end.
    flickers: bool,
    quiet: bool,
    facts: Facts,
}

/// One for the whole engine; it holds no more than there are signals, detectors and inputs.
#[derive(Debug, Default)]
pub(crate) struct Watch {
    spots: BTreeMap<Spot, Known>,
    looks_at: Option<Moment>,
    gathers_until: Option<Moment>,
    /// Nobody can be told without a connection.
    is_up: bool,
    up_since: Moment,
    settled_at: Moment,
    changed: bool,
}

impl Watch {
    pub(crate) fn link_up(&mut self, now: Moment) {
        (self.is_up, self.settled_at) = (true, now + SETTLES_IN);
        self.begin_anew(now);
    }

    /// Without a connection nothing can be seen and nobody can be told, and that is another matter.
    pub(crate) fn link_down(&mut self) {
        (self.is_up, self.looks_at) = (false, None);
    }

    /// What is not told counts from now on: there is a new connection, or there are new rules.
    pub(crate) fn begin_anew(&mut self, now: Moment) {
        self.spots.retain(|_, known| matches!(known.stage, Stage::Told | Stage::Ending));
        (self.up_since, self.looks_at, self.gathers_until) = (now, Some(now), None);
    }

    /// Something is there to be looked at that was not there before.
    pub(crate) fn look_soon(&mut self, now: Moment) {
        if self.is_up {
            self.looks_at = Some(self.looks_at.map_or(now, |at| at.min(now)));
        }
    }

    /// Nothing from before counts as heard.
    pub(super) fn up_since(&self) -> Moment {
        self.up_since
    }

    pub(crate) fn deadline(&self) -> Option<Moment> {
        self.looks_at
    }

    pub(super) fn knows_of_none(&self) -> bool {
        self.spots.is_empty()
    }

    /// Whether another set of them lasts since this was last asked.
    pub(super) fn take_changed(&mut self) -> bool {
        std::mem::take(&mut self.changed)
    }

    /// One of a former run.
    pub(crate) fn recall(&mut self, former: &FormerBlindSpot, now: Now) {
        let spot = Spot { kind: former.kind, of: former.of.clone(), part: former.part.clone() };
        let title = former.of.as_ref().map_or_else(|| "".into(), |name| name.as_str().into());
        let facts = Facts {
            title,
            one_of_several: false,
            why: None,
            meanwhile: Consequence::NothingElse,
            urgent: false,
        };
        let known = self.spots.entry(spot).or_insert_with(|| Known {
            stage: Stage::Told,
            since: now.moment,
            began: Some(former.since),
            sees_since: None,
            flickers: false,
            quiet: former.kind.has_own_incident(),
            facts,
        });
        (known.stage, known.began) = (Stage::Told, Some(former.since));
        self.changed = true;
        self.look_soon(now.moment);
    }

    /// Takes a look at everything there is. What is to be told comes back, and nothing else ever does.
    pub(super) fn look(&mut self, now: Now, any: bool, seen: Vec<Seen>) -> Vec<BlindSpotsTold> {
        let there: BTreeSet<&Spot> = seen.iter().map(|seen| &seen.spot).collect();
        let before = self.spots.len();
        self.spots.retain(|spot, _| there.contains(spot));
        self.changed |= self.spots.len() != before;
        for seen in seen {
            self.see(now.moment, seen);
        }
        let is_news = |known: &Known| matches!(known.stage, Stage::Due | Stage::Ending);
        let told = if !self.spots.values().any(is_news) {
            self.gathers_until = None;
            Vec::new()
        } else if now.moment >= *self.gathers_until.get_or_insert(now.moment + TOGETHER) {
            self.gathers_until = None;
            self.tell(now)
        } else {
            Vec::new()
        };
        let next = now.moment + LOOK_EVERY;
        self.looks_at = any.then(|| self.gathers_until.map_or(next, |until| until.min(next)));
        told
    }

    fn see(&mut self, now: Moment, seen: Seen) {
        let Seen { spot, sight, after, quiet, facts } = seen;
        if let Sight::Blind { since } = sight
            && !self.spots.contains_key(&spot)
        {
            let known = Known {
                stage: Stage::Doubted,
                since: since.unwrap_or(now),
                began: None,
                sees_since: None,
                flickers: false,
                quiet,
                facts: facts.clone(),
            };
            self.spots.insert(spot.clone(), known);
        }
        let settled = self.settled_at <= now;
        let Some(known) = self.spots.get_mut(&spot) else { return };
        let stage = known.next(now, sight, after, settled);
        known.facts = match sight {
            Sight::Blind { .. } => facts,
            // Why it could not be seen is of interest still.
            Sight::Sees | Sight::Untold => Facts { why: known.facts.why.take(), ..facts },
        };
        let is_quiet = if known.stage == Stage::Doubted { quiet } else { known.quiet };
        known.quiet = is_quiet;
        let stage = match stage {
            Some(Stage::Due) if is_quiet => Some(Stage::Told),
            Some(Stage::Ending) if is_quiet => None,
            stage => stage,
        };
        self.changed |= stage.is_none_or(|stage| stage != known.stage);
        match stage {
            Some(stage) => known.stage = stage,
            None => drop(self.spots.remove(&spot)),
        }
    }

    fn tell(&mut self, now: Now) -> Vec<BlindSpotsTold> {
        let mut told = Vec::new();
        for (stage, over) in [(Stage::Due, false), (Stage::Ending, true)] {
            let which = || self.spots.iter().filter(move |(_, known)| known.stage == stage);
            let spots: Vec<BlindSpot> = which().map(|(spot, known)| known.told(spot, now)).collect();
            let urgent = !over && which().any(|(_, known)| known.facts.urgent);
            if !spots.is_empty() {
                told.push(BlindSpotsTold { at: now, spots, urgent, over });
            }
        }
        self.spots.retain(|_, known| known.stage != Stage::Ending);
        for known in self.spots.values_mut().filter(|known| known.stage == Stage::Due) {
            known.stage = Stage::Told;
        }
        self.changed = true;
        told
    }

    /// Those that last, by kind and name.
    pub(super) fn lasting(&self, now: Now) -> impl Iterator<Item = BlindSpot> + '_ {
        let lasting =
            self.spots.iter().filter(|(_, known)| matches!(known.stage, Stage::Told | Stage::Ending));
        lasting.map(move |(spot, known)| known.told(spot, now))
    }
}

impl Known {
    /// What becomes of it by this look; nothing if it is as if it had never been.
    fn next(&mut self, now: Moment, sight: Sight, after: Span, settled: bool) -> Option<Stage> {
        let seen_again_for = match sight {
            Sight::Sees => now.since(*self.sees_since.get_or_insert(now)),
            Sight::Blind { .. } => {
                self.flickers |= self.sees_since.take().is_some();
                Span::ZERO
            }
            Sight::Untold => Span::ZERO,
        };
        let is_seen = seen_again_for >= Span(after.0 / 4).min(SEEN_AGAIN_MAX);
        match (self.stage, sight) {
            (Stage::Doubted, Sight::Blind { since }) => {
                self.since = since.unwrap_or(self.since);
                let is_due = settled && now.since(self.since) >= after;
                Some(if is_due { Stage::Due } else { Stage::Doubted })
            }
            (Stage::Doubted, Sight::Sees) => (!is_seen).then_some(Stage::Doubted),
            (Stage::Doubted, Sight::Untold) | (Stage::Due, Sight::Sees) => None,
            (Stage::Due, Sight::Blind { .. } | Sight::Untold) => Some(Stage::Due),
            (Stage::Told, Sight::Blind { .. } | Sight::Untold) | (Stage::Ending, Sight::Blind { .. }) => {
                Some(Stage::Told)
            }
            (Stage::Told, Sight::Sees) if self.flickers && !is_seen => Some(Stage::Told),
            (Stage::Told | Stage::Ending, Sight::Sees) | (Stage::Ending, Sight::Untold) => {
                Some(Stage::Ending)
            }
        }
    }

    fn told(&self, spot: &Spot, now: Now) -> BlindSpot {
        let lasted = now.moment.since(self.since);
        let millis = i64::try_from(lasted.0).unwrap_or(i64::MAX);
        let since = self.began.unwrap_or(WallTime(now.wall.0.saturating_sub(millis)));
        let lasted = self.began.map_or(lasted, |began| {
            lasted.max(Span(u64::try_from(now.wall.0.saturating_sub(began.0)).unwrap_or(0)))
        });
        BlindSpot {
            kind: spot.kind,
            of: spot.of.clone().map(|name| (name, self.facts.title.clone())),
            part: spot.part.clone(),
            one_of_several: self.facts.one_of_several,
            since,
            lasted,
            why: self.facts.why.clone(),
            meanwhile: self.facts.meanwhile,
        }
    }
}

#[cfg(test)]
#[path = "watch_tests.rs"]
mod tests;
