//! What a guard cannot see.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{self, NAME};
use super::{Told, Word};
use idlegate_engine::{BlindSpot, Blindness, FormerBlindSpot};
use idlegate_plan::event::Name;
use idlegate_plan::text::{parse_time, rfc3339};

/// Something that the guard cannot see
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Blind {
    /// Of the machine
    #[schemars(regex(pattern = NAME))]
    pub detector: Option<String>,
    /// Null where it is about none
    #[schemars(regex(pattern = NAME))]
    pub input: Option<String>,
    #[schemars(extend("enum" = words::blind()))]
    pub kind: Word,
    /// Null where it is about none
    #[schemars(regex(pattern = NAME))]
    pub machine: Option<String>,
    /// Of the machine; null where it is its outlet
    #[schemars(regex(pattern = NAME))]
    pub signal: Option<String>,
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub since: String,
    /// The fault, or what was read
    pub why: Option<String>,
}

impl Blind {
    pub fn of(spot: &BlindSpot) -> Blind {
        let part = spot.part.as_ref().map(ToString::to_string);
        let is_detector = spot.kind == Blindness::DetectorOut;
        Blind {
            detector: part.clone().filter(|_| is_detector),
            input: spot.input().map(ToString::to_string),
            kind: spot.kind.word().into(),
            machine: spot.machine().map(ToString::to_string),
            signal: part.filter(|_| !is_detector),
            since: rfc3339(spot.since),
            why: spot.why.as_deref().map(str::to_owned),
        }
    }

    /// One that a former run has told; nothing for a kind that only a later version knows.
    pub fn former(&self) -> Option<FormerBlindSpot> {
        let name = |text: &Option<String>| text.as_deref().and_then(|text| Name::new(text).ok());
        Some(FormerBlindSpot {
            kind: Blindness::from_word(&self.kind)?,
            of: name(&self.machine).or(name(&self.input)),
            part: name(&self.signal).or(name(&self.detector)),
            since: parse_time(&self.since).ok()?,
        })
    }
}

/// Those whose end is not among what was told, in its order.
pub fn still_open(told: impl Iterator<Item = Told>) -> Vec<FormerBlindSpot> {
    let mut open: Vec<FormerBlindSpot> = Vec::new();
    for told in told {
        for spot in told.blind.iter().filter_map(Blind::former) {
            let is_same =
                |one: &FormerBlindSpot| (one.kind, &one.of, &one.part) == (spot.kind, &spot.of, &spot.part);
            open.retain(|one| !is_same(one));
            if !told.over {
                open.push(spot);
            }
        }
    }
    open
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;
    use idlegate_engine::Consequence;
    use idlegate_guard::time::{Span, WallTime};

    #[test]
    fn what_was_told_is_known_again_after_a_restart() {
        let mill = || Some((Name::new("mill").unwrap(), "Mill".into()));
        for (kind, of, part) in [
            (Blindness::MeterSilent, mill(), Some("power")),
            (Blindness::OutletUnreachable, mill(), None),
            (Blindness::DetectorOut, mill(), Some("draw")),
            (Blindness::BatteryLow, mill(), None),
            (Blindness::JournalOut, None, None),
        ] {
            let spot = BlindSpot {
                kind,
                of,
                part: part.map(|part| Name::new(part).unwrap()),
                one_of_several: false,
                since: WallTime(1_700_000_000_000),
                lasted: Span::secs(600),
                why: None,
                meanwhile: Consequence::NothingElse,
            };
            let former = Blind::of(&spot).former().unwrap();
            let name = spot.of.map(|(name, _)| name);
            assert_eq!((former.kind, former.of, former.part), (kind, name, spot.part));
            assert_eq!(former.since, spot.since);
        }
        assert_eq!(Blind { kind: "of-a-later-version".into(), ..Blind::default() }.former(), None);
    }

    #[test]
    fn a_blindness_is_as_it_will_always_be() {
        let silent = Blind {
            kind: "meter-silent".into(),
            machine: Some("mill".to_owned()),
            signal: Some("power".to_owned()),
            since: "2026-11-25T02:31:49.120Z".to_owned(),
            ..Blind::default()
        };
        let golden = concat!(
            r#"{"detector":null,"input":null,"kind":"meter-silent","machine":"mill","signal":"power","#,
            r#""since":"2026-11-25T02:31:49.120Z","why":null}"#,
        );
        assert_round_trip(&silent, golden);
    }
}
