//! Mistakes put between the wire and the engine on purpose, each of which the judge has to find. The judge hears what
//! was delivered; the engine hears what a program with this mistake would have made of it.

use bytes::Bytes;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Message;

use super::delivery::{write_one, write_pack};
use super::fault::Fault;
use super::rules::PLACES;
use super::wire::Record;
use super::world::World;
use crate::judge::Says;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plant {
    NewestRecordOnly,
    UnreadableDropped,
    OutageWithheld,
    NewerDropped,
    HistoryKept,
    StoredAsLive,
    ExpiredDelivered,
    SilenceFilled,
    ScaleForgotten,
    WrongMachine,
}

/// How much older than it is every second reading looks to a program that reckons arrivals wrongly.
const STAMPED_BACK: Span = Span::secs(12);
/// Of a hundred orders that should expire on their way so many wait for better times instead.
const WAITING_PERCENT: f64 = 0.15;
/// The two places whose meters speak alike.
const MIXED_UP: [usize; 2] = [1, 4];
/// The place whose meter counts in kilowatts.
const IN_KILOWATTS: usize = 3;

impl Plant {
    pub const ALL: [Plant; 10] = [
        Plant::NewestRecordOnly,
        Plant::UnreadableDropped,
        Plant::OutageWithheld,
        Plant::NewerDropped,
        Plant::HistoryKept,
        Plant::StoredAsLive,
        Plant::ExpiredDelivered,
        Plant::SilenceFilled,
        Plant::ScaleForgotten,
        Plant::WrongMachine,
    ];

    pub const fn words(self) -> &'static str {
        match self {
            Plant::NewestRecordOnly => "of a pack only the newest record is read",
            Plant::UnreadableDropped => "a message that cannot be read is dropped",
            Plant::OutageWithheld => "the end of the link goes unnoticed",
            Plant::NewerDropped => "arrival stamps run backwards, and what looks older is dropped",
            Plant::HistoryKept => "a detector made anew goes on with the history of the one before",
            Plant::StoredAsLive => "a stored press counts as live",
            Plant::ExpiredDelivered => "an expired order is delivered late",
            Plant::SilenceFilled => "a silent meter's last value is shown again as a reading",
            Plant::ScaleForgotten => "kilowatts are read as watts",
            Plant::WrongMachine => "two machines' meters are mixed up",
        }
    }
}

impl Plant {
    /// The fault under which such a program goes wrong first.
    pub(super) fn fault(self, place: usize) -> Option<Fault> {
        match self {
            Plant::NewestRecordOnly => Some(Fault::MeterPacks),
            Plant::UnreadableDropped => Some(Fault::MeterNotANumber(place)),
            Plant::OutageWithheld => Some(Fault::LinkDown),
            Plant::HistoryKept => Some(Fault::MeterReplaced(place)),
            Plant::SilenceFilled => Some(Fault::MeterSilent(place)),
            Plant::NewerDropped
            | Plant::StoredAsLive
            | Plant::ExpiredDelivered
            | Plant::ScaleForgotten
            | Plant::WrongMachine => None,
        }
    }
}

/// What a program with a mistake keeps in mind.
#[derive(Debug, Default)]
pub struct Planted {
    readings: [u64; 5],
    stamps: [Moment; 5],
    pub(super) last: [Option<Message>; 5],
    pub(super) link_told: bool,
}

impl World<'_> {
    pub(super) fn has(&self, plant: Plant) -> bool {
        self.life.plant == Some(plant)
    }

    /// What becomes of a reading in a program with a mistake.
    pub(super) fn misread(&mut self, place: usize, records: &[Record], mut message: Message) -> Vec<Message> {
        let Some(plant) = self.life.plant else { return vec![message] };
        let (now, times) = (self.now, self.pack_times());
        let outlet = PLACES[place].outlet;
        match plant {
            Plant::NewestRecordOnly if records.len() > 1 => {
                message.payload = Bytes::from(write_pack(outlet, &records[records.len() - 1..], times));
            }
            Plant::UnreadableDropped if records.iter().any(|(_, says)| *says == Says::Rubbish) => {
                return Vec::new();
            }
            Plant::NewerDropped => {
                let planted = &mut self.planted;
                planted.readings[place] += 1;
                let back = if planted.readings[place].is_multiple_of(2) { Span::ZERO } else { STAMPED_BACK };
                let stamp = now - message.age - back;
                if stamp < planted.stamps[place] {
                    return Vec::new();
                }
                planted.stamps[place] = stamp;
            }
            Plant::SilenceFilled => {
                self.planted.last[place] = Some(message.clone());
                return self.with_the_silent(message);
            }
            Plant::ScaleForgotten if place == IN_KILOWATTS => {
                if let [(_, Says::Watts(watts))] = records {
                    message.payload = Bytes::from(write_one(place, watts / 1000.0));
                }
            }
            Plant::WrongMachine if MIXED_UP.contains(&place) => {
                let other = MIXED_UP[usize::from(place == MIXED_UP[0])];
                message.topic = self.line.meter_topic(other).into();
            }
            Plant::NewestRecordOnly
            | Plant::UnreadableDropped
            | Plant::OutageWithheld
            | Plant::HistoryKept
            | Plant::StoredAsLive
            | Plant::ExpiredDelivered
            | Plant::ScaleForgotten
            | Plant::WrongMachine => {}
        }
        vec![message]
    }

    fn with_the_silent(&mut self, message: Message) -> Vec<Message> {
        let silent = |place: &usize| self.broken.silent[*place];
        let again = (0..PLACES.len()).filter(silent).filter_map(|place| self.planted.last[place].clone());
        let mut messages: Vec<Message> = again.collect();
        messages.push(message);
        messages
    }

    /// How much longer an order takes that nobody lets expire.
    pub(super) fn waits_for_better_times(&mut self) -> Span {
        if self.has(Plant::ExpiredDelivered) && self.luck.happens(WAITING_PERCENT) {
            self.luck.span(Span::secs(20), Span::secs(1_200))
        } else {
            Span::ZERO
        }
    }
}
