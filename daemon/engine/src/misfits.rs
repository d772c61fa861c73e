//! Inputs that say things which fit none of their gestures. A button may say more than its gestures, so that is no
//! fault by itself; but one of which nothing was ever understood is wired up wrong, and somebody presses it in vain.

use std::collections::{BTreeMap, BTreeSet};

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Name;
use idlegate_plan::text::tame;
use idlegate_plan::{InputSource, Plan, ValuePath};

/// People are told of one input this often at most.
const TELL_EVERY: Span = Span::secs(600);
const SHOWN_MAX: usize = 3;

#[derive(Debug, Default)]
pub(super) struct Misfits {
    understood: BTreeSet<Name>,
    told: BTreeMap<Name, Moment>,
}

impl Misfits {
    pub(super) fn understood(&mut self, input: &Name) {
        if !self.understood.contains(input) {
            self.understood.insert(input.clone());
        }
    }

    /// Whether people should hear of it.
    pub(super) fn is_news(&mut self, now: Moment, input: &Name) -> bool {
        let just_told = self.told.get(input).is_some_and(|at| now.since(*at) < TELL_EVERY);
        if just_told || self.understood.contains(input) {
            return false;
        }
        self.told.insert(input.clone(), now);
        true
    }

    /// New rules may have new words for what is there.
    pub(super) fn adopt(&mut self, before: &Plan, plan: &Plan) {
        let same = |name: &Name| {
            let now = plan.input(name.as_str()).map(|(_, input)| input);
            now.is_some() && before.input(name.as_str()).map(|(_, input)| input) == now
        };
        self.understood.retain(&same);
        self.told.retain(|name, _| same(name));
    }
}

/// What would probably help: where in the payload one of the gestures' words stands, or else what there is in it.
pub(super) fn remedy(input: &idlegate_plan::Input, payload: &[u8]) -> Option<String> {
    let InputSource::Topic { source, named: None, .. } = &input.source else { return None };
    let json: serde_json::Value = serde_json::from_slice(payload).ok()?;
    let members = json.as_object()?;
    let pointer = |name: &str| format!("/{}", name.replace('~', "~0").replace('/', "~1"));
    let is_word = |value: &serde_json::Value| {
        let words = input.gestures.iter().flat_map(|gesture| &gesture.words);
        value.as_str().is_some_and(|text| words.into_iter().any(|word| word == text.trim()))
    };
    if let Some((name, _)) = members.iter().find(|(_, value)| is_word(value)) {
        return Some(format!("the payload is JSON: try pointer = {:?}", tame(&pointer(name), 60)));
    }
    if source.path != ValuePath::Whole {
        return None;
    }
    let plain =
        members.iter().filter(|(_, value)| !value.is_object() && !value.is_array() && !value.is_null());
    let shown: Vec<String> =
        plain.take(SHOWN_MAX).map(|(name, value)| format!("{} is {value}", pointer(name))).collect();
    let shown = tame(&shown.join(", "), 120);
    (!shown.is_empty())
        .then(|| format!("the payload is JSON, so say with pointer where its gesture is ({shown})"))
}
