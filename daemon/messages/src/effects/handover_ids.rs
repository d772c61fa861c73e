//! The ids of one input's answered requests, as messages that the broker keeps: the newest few in one that goes out
//! with every answer, and all of them in pages, of which only the last grows. So an answer costs little, however many
//! ids are remembered.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use super::handover::{BadHandover, Delivery};
use super::seal::Seal;
use crate::json;
use crate::words::NAME;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::answered::{AGE_MAX, OF_EACH_INPUT_MAX};
use idlegate_plan::event::Name;
use idlegate_plan::kept::note::time;
use idlegate_plan::text::rfc3339;

/// In the message that goes out with every answer; after as many the page follows.
const NEWEST_MAX: usize = 16;
const PAGE_IDS_MAX: usize = 256;
/// As JSON: a packet takes 64 KiB. Only ids full of control characters need as much.
const PAGE_BYTES_MAX: usize = 56 * 1024;
/// One more than all need, since the one that is begun takes the place of the oldest.
const PAGES: usize = OF_EACH_INPUT_MAX / PAGE_IDS_MAX + 1;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Id {
    pub(super) id: Arc<str>,
    /// When it was answered.
    pub(super) at: WallTime,
}

/// The oldest first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct HandoverIds {
    newest: Page,
    pages: BTreeMap<usize, Page>,
    /// Only since we write them ourselves.
    known: HashSet<Arc<str>>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Page {
    /// When it was written, by whoever wrote it. No two pages of one writer have the same.
    at: WallTime,
    ids: VecDeque<Id>,
    bytes: usize,
}

// It refuses every member that it does not know, so that no other message can be taken for one. What is said of the
// members is also the description of the message.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct AnsweredIds {
    /// How long before "at" each of them was answered
    #[serde(default)]
    #[schemars(inner(range(min = 0)))]
    ages_s: Vec<f64>,
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    at: String,
    /// HMAC-SHA-256 of topic and content, where the rules have a secret for it
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[0-9a-f]{64}$"))]
    digest: Option<String>,
    /// The newest last
    ids: Vec<String>,
    #[schemars(with = "String", regex(pattern = NAME))]
    input: Option<String>,
    /// Missing in messages of the first version
    #[serde(default, skip_serializing_if = "Option::is_none")]
    kind: Option<Kind>,
}

#[derive(Serialize, Deserialize, JsonSchema)]
enum Kind {
    #[serde(rename = "answered")]
    Answered,
}

impl AnsweredIds {
    /// As of a note: see `kept/note`.
    fn to_seal(&self) -> String {
        let millis: Vec<String> = self.ages_s.iter().map(|age| (age * 1_000.0).round().to_string()).collect();
        serde_json::to_string(&(&self.at, &self.input, &self.ids, millis)).expect("texts are JSON")
    }
}

/// The message with its digest, where the rules have a secret.
pub(super) fn sealed(message: AnsweredIds, seal: &Seal, topic: &str) -> Json {
    json(&AnsweredIds { digest: seal.digest(topic, &message.to_seal()), ..message })
}

/// Whether it was written by a guard, about this input.
pub(super) fn check(payload: &[u8], input: &Name, seal: &Seal, topic: &str) -> Result<(), BadHandover> {
    let message: AnsweredIds = serde_json::from_slice(payload)?;
    if message.input.as_deref().is_some_and(|named| named != input.as_str()) {
        return Err(BadHandover::OtherInput);
    }
    Ok(seal.check(topic, &message.to_seal(), message.digest.as_deref())?)
}

impl HandoverIds {
    pub(super) fn hear_newest(&mut self, payload: &[u8], heard: Delivery) -> Result<(), BadHandover> {
        self.newest.replace_by(Page::read(payload)?, heard);
        Ok(())
    }

    pub(super) fn hear_page(
        &mut self,
        page: usize,
        payload: &[u8],
        heard: Delivery,
    ) -> Result<(), BadHandover> {
        if page >= PAGES {
            return Err(BadHandover::Page(page));
        }
        if payload.is_empty() {
            self.pages.remove(&page);
            return Ok(());
        }
        let read = Page::read(payload)?;
        self.pages.entry(page).or_default().replace_by(read, heard);
        Ok(())
    }

    /// All that was heard and what our own journal remembers, in pages that we write from now on.
    pub(super) fn take_over(&mut self, own: impl Iterator<Item = Id>, now: WallTime) {
        let day_ago = now.0.saturating_sub_unsigned(AGE_MAX.0);
        let is_fresh = |id: &Id| id.at.0 > day_ago;
        // Only whole pages go, and the first of the others stays where it is: so each is as it was, unless something
        // was missing.
        self.pages.retain(|_, page| page.ids.iter().any(is_fresh));
        let first = self.in_order().first().map_or(0, |(place, _)| *place);
        let mut ids: Vec<Id> = self.iter().cloned().collect();
        let newest = std::mem::take(&mut self.newest);
        ids.extend(newest.ids.into_iter().chain(own).filter(is_fresh));
        ids.sort_by_key(|id| id.at);
        (self.pages, self.known) = Default::default();
        for id in ids {
            if !self.known.contains(&id.id) {
                self.append(id, now, first);
            }
        }
    }

    /// The page that is to go out, if it is time for one.
    pub(super) fn put(&mut self, id: Id) -> Option<usize> {
        if self.known.contains(&id.id) {
            return None;
        }
        let now = id.at;
        let place = self.append(id, now, 0);
        let page = &self.pages[&place];
        (page.ids.len().is_multiple_of(NEWEST_MAX) || !page.has_room()).then_some(place)
    }

    /// All that are known, the oldest first.
    pub(super) fn iter(&self) -> impl Iterator<Item = &Id> {
        self.in_order().into_iter().flat_map(|(_, page)| page.ids.iter())
    }

    pub(super) fn newest_message(&self, input: &Name, now: WallTime) -> AnsweredIds {
        Page { at: now, ..self.newest.clone() }.message(input)
    }

    pub(super) fn page_message(&self, input: &Name, page: usize) -> Option<AnsweredIds> {
        self.pages.get(&page).map(|page| page.message(input))
    }

    pub(super) fn pages(&self) -> impl Iterator<Item = usize> {
        self.pages.keys().copied()
    }

    /// To the last page; when that is full, to a new one in place of the oldest; to the one at `first` if there is
    /// none. Tells which.
    fn append(&mut self, id: Id, now: WallTime, first: usize) -> usize {
        let last = self.in_order().last().map(|(place, page)| (*place, page.at, page.has_room()));
        let (place, at) = match last {
            Some((place, at, true)) => (place, at),
            // A clock that was set back does not make the last page an older one.
            Some((place, at, false)) => ((place + 1) % PAGES, WallTime(at.0.saturating_add(1))),
            None => (first, now),
        };
        if last.is_none_or(|(last, _, _)| last != place) {
            let gone = self.pages.insert(place, Page::default()).unwrap_or_default();
            for id in gone.ids {
                self.known.remove(&id.id);
            }
        }
        self.known.insert(id.id.clone());
        self.newest.push(id.clone());
        if self.newest.ids.len() > NEWEST_MAX {
            self.newest.ids.pop_front();
        }
        let page = self.pages.get_mut(&place).expect("it was there or was just begun");
        page.at = at.max(now);
        page.push(id);
        place
    }

    /// The oldest first.
    fn in_order(&self) -> Vec<(usize, &Page)> {
        let mut pages: Vec<_> = self.pages.iter().map(|(place, page)| (*place, page)).collect();
        pages.sort_by_key(|(_, page)| page.at);
        pages
    }
}

impl Page {
    fn push(&mut self, id: Id) {
        self.bytes += weight(&id.id);
        self.ids.push_back(id);
    }

    fn has_room(&self) -> bool {
        self.ids.len() < PAGE_IDS_MAX && self.bytes < PAGE_BYTES_MAX
    }

    fn read(payload: &[u8]) -> Result<Page, BadHandover> {
        let AnsweredIds { at, ids, ages_s, .. } = serde_json::from_slice(payload)?;
        let at = time(&at)?;
        let mut page = Page { at, ..Page::default() };
        for (id, age) in ids.iter().zip(ages_s.into_iter().chain(std::iter::repeat(0.0))) {
            let age = Duration::try_from_secs_f64(age).map_err(|_| BadHandover::Time(age.to_string()))?;
            let at = WallTime(at.0.saturating_sub_unsigned(Span::from(age).0));
            page.push(Id { id: id.as_str().into(), at });
        }
        Ok(page)
    }

    /// A broker that was restarted may have an old store.
    fn replace_by(&mut self, read: Page, heard: Delivery) {
        if heard == Delivery::Live || read.at >= self.at {
            *self = read;
        }
    }

    fn message(&self, input: &Name) -> AnsweredIds {
        let age = |id: &Id| Span(u64::try_from(self.at.0.saturating_sub(id.at.0)).unwrap_or(0)).as_secs_f64();
        AnsweredIds {
            ages_s: self.ids.iter().map(age).collect(),
            at: rfc3339(self.at),
            digest: None,
            ids: self.ids.iter().map(|id| id.id.to_string()).collect(),
            input: Some(input.to_string()),
            kind: Some(Kind::Answered),
        }
    }
}

/// Its bytes in a message, with those of its age.
fn weight(id: &str) -> usize {
    Json::from(id).to_string().len() + "86400.123,,".len()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text;

    /// 2026-11-25T12:00:00Z
    const NOON: i64 = 1_795_608_000_000;

    fn panel() -> Name {
        Name::new("panel").unwrap()
    }

    fn id(number: usize, at: i64) -> Id {
        Id { id: number.to_string().into(), at: WallTime(at) }
    }

    fn known(ids: &HandoverIds) -> Vec<usize> {
        ids.iter().map(|id| id.id.parse().unwrap()).collect()
    }

    /// What a broker keeps of what the guard sends.
    #[derive(Default)]
    struct Broker {
        newest: String,
        pages: BTreeMap<usize, String>,
    }

    impl Broker {
        fn take(&mut self, guard: &mut HandoverIds, id: Id) {
            let now = id.at;
            if let Some(page) = guard.put(id) {
                self.pages.insert(page, text(&guard.page_message(&panel(), page).unwrap()));
            }
            self.newest = text(&guard.newest_message(&panel(), now));
        }

        /// What somebody hears who comes only now.
        fn tell(&self) -> HandoverIds {
            let mut ids = HandoverIds::default();
            ids.hear_newest(self.newest.as_bytes(), Delivery::Stored).unwrap();
            for (page, message) in &self.pages {
                ids.hear_page(*page, message.as_bytes(), Delivery::Stored).unwrap();
            }
            ids
        }
    }

    fn guarded(count: usize, clock: impl Fn(usize) -> i64) -> (Broker, HandoverIds) {
        let (mut broker, mut guard) = (Broker::default(), HandoverIds::default());
        guard.take_over(std::iter::empty(), WallTime(NOON));
        (0..count).for_each(|number| broker.take(&mut guard, id(number, clock(number))));
        (broker, guard)
    }

    fn clock(number: usize) -> i64 {
        NOON + i64::try_from(number).unwrap()
    }

    #[test]
    fn whoever_comes_at_any_moment_finds_the_newest_of_them_all() {
        for count in [1, 15, 16, 17, 255, 256, 257, 4_000, 4_096, 4_352, 4_353, 5_000, 10_007] {
            let (broker, guard) = guarded(count, clock);
            let mut next = broker.tell();
            next.take_over(std::iter::empty(), WallTime(clock(count)));
            let found = known(&next);
            assert!(found.len() >= count.min(OF_EACH_INPUT_MAX), "{} of {count}", found.len());
            assert!(found.len() <= PAGES * PAGE_IDS_MAX);
            assert_eq!(found, (count - found.len()..count).collect::<Vec<_>>(), "the newest, in order");
            assert_eq!(known(&guard), found);
        }
    }

    #[test]
    fn pages_stay_where_they_are_across_a_change_over() {
        for count in [300, 4_400, 6_000] {
            let (broker, _) = guarded(count, clock);
            let mut next = broker.tell();
            next.take_over(std::iter::empty(), WallTime(clock(count)));
            let last = next.in_order().last().unwrap().0;
            for page in next.pages().filter(|page| *page != last) {
                let kept: AnsweredIds = serde_json::from_str(&broker.pages[&page]).unwrap();
                assert_eq!(next.page_message(&panel(), page).unwrap().ids, kept.ids, "{count}, {page}");
            }
        }
    }

    #[test]
    fn what_only_our_own_journal_remembers_is_put_in_its_place_and_a_day_is_a_day() {
        let (broker, _) = guarded(20, |number| NOON + 1_000 * i64::try_from(number).unwrap());
        let mut next = broker.tell();
        let day = i64::try_from(AGE_MAX.0).unwrap();
        let own = [id(900, NOON - day), id(901, NOON + 1_500), id(3, NOON + 3_000), id(902, NOON + 60_000)];
        next.take_over(own.into_iter(), WallTime(NOON + 60_000));
        let expected = [0, 1, 901].into_iter().chain(2..20).chain([902]);
        assert_eq!(known(&next), expected.collect::<Vec<_>>());
    }

    #[test]
    fn a_clock_that_is_set_back_pushes_out_nothing() {
        let (broker, _) =
            guarded(4_000, |number| if number < 300 { clock(number) } else { NOON - 3_600_000 });
        let mut next = broker.tell();
        next.take_over(std::iter::empty(), WallTime(NOON));
        let mut found = known(&next);
        found.sort_unstable();
        assert_eq!(found, (0..4_000).collect::<Vec<_>>());
    }

    #[test]
    fn an_id_that_is_answered_for_several_machines_takes_one_place() {
        let (mut broker, mut guard) = guarded(3, clock);
        broker.take(&mut guard, id(1, clock(9)));
        assert_eq!(known(&guard), [0, 1, 2]);
    }

    #[test]
    fn no_message_is_larger_than_a_packet_may_be() {
        let (mut broker, mut guard) = (Broker::default(), HandoverIds::default());
        for number in 0..2_000 {
            let text = format!("{number:\u{1}>128}");
            broker.take(&mut guard, Id { id: text.into(), at: WallTime(clock(number)) });
        }
        let longest = broker.pages.values().map(String::len).max().unwrap();
        assert!(longest < 60 * 1024, "{longest}");
    }

    #[test]
    fn an_old_store_of_a_broker_takes_nothing_back() {
        let (old, mut guard) = guarded(32, clock);
        let mut new = Broker { newest: old.newest.clone(), pages: old.pages.clone() };
        (32..48).for_each(|number| new.take(&mut guard, id(number, clock(number))));
        let mut ids = new.tell();
        ids.hear_newest(old.newest.as_bytes(), Delivery::Stored).unwrap();
        ids.hear_page(0, old.pages[&0].as_bytes(), Delivery::Stored).unwrap();
        assert_eq!(known(&ids).len(), 48);
        ids.hear_page(0, old.pages[&0].as_bytes(), Delivery::Live).unwrap();
        assert_eq!(known(&ids).len(), 32, "a clock was set back");
    }

    #[test]
    fn nonsense_is_refused_and_changes_nothing() {
        let (broker, _) = guarded(20, clock);
        let mut ids = broker.tell();
        let before = ids.clone();
        let at = r#""at":"2026-11-25T12:00:00Z""#;
        for payload in
            ["{", "[]", r#"{"at":"noon","ids":[]}"#, &format!(r#"{{{at},"ids":["1"],"ages_s":[-1]}}"#)]
        {
            assert!(ids.hear_page(0, payload.as_bytes(), Delivery::Live).is_err(), "{payload}");
            assert!(ids.hear_newest(payload.as_bytes(), Delivery::Live).is_err(), "{payload}");
        }
        assert!(ids.hear_page(PAGES, broker.pages[&0].as_bytes(), Delivery::Live).is_err());
        assert_eq!(ids, before);
        // As an earlier version writes them, without ages.
        ids.hear_newest(format!(r#"{{{at},"input":"panel","ids":["7"]}}"#).as_bytes(), Delivery::Live)
            .unwrap();
        assert_eq!(ids.newest.ids, [id(7, NOON)]);
    }
}
