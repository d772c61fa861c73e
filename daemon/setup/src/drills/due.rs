//! Which items of a machine's drill are due. What was skipped was not tried, and never passes.

use super::book::{Drills, LastTry};
use super::fingerprint::Fingerprints;
use super::way::ways;
use crate::commission::{DrillOutcome, Item};
use idlegate_guard::Control;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::text::{in_a_row, parse_time};
use idlegate_plan::{MachineIx, Plan};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DueReason {
    NeverTried,
    Skipped,
    Failed,
    OnlyInShadow,
    /// What has changed since it was tried.
    Changed(&'static str),
    TooLongAgo,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueItem {
    pub item: Item,
    pub why: DueReason,
}

/// The items that there can be for a machine, in their order.
pub fn applicable(plan: &Plan, machine: MachineIx) -> Vec<Item> {
    let control = plan.machines[machine].policy.control;
    let can_be = |item: &Item| match item {
        Item::SeenIdle | Item::SeenBusy => true,
        Item::OtherRoute | Item::StaysOff if control == Control::Full => true,
        // Nobody is to switch it off, not even to try.
        Item::OtherRoute | Item::StaysOff => false,
        Item::IdleOff | Item::Held | Item::Forced | Item::Emergency | Item::Unlocked
            if control != Control::Full =>
        {
            false
        }
        Item::MeterSilent => !plan.machines[machine].signals.is_empty(),
        Item::IdleOff | Item::Held | Item::Forced | Item::Emergency => !ways(plan, machine, *item).is_empty(),
        // Whoever unlocks must be there, or the machine would stay locked after the drill.
        Item::Unlocked => !ways(plan, machine, Item::Emergency).is_empty(),
    };
    Item::ALL.into_iter().filter(can_be).collect()
}

/// Nothing where no drill was ever done and the rules want none.
pub fn due(plan: &Plan, machine: MachineIx, drills: &Drills, now: WallTime) -> Vec<DueItem> {
    let every = plan.machines[machine].drill_every;
    if drills.tries.is_empty() && every.is_none() {
        return Vec::new();
    }
    let under = Fingerprints::of(plan, machine);
    let why = |item: Item| match drills.last(item) {
        None => Some(DueReason::NeverTried),
        Some(last) => why_again(last, &under, every, now),
    };
    let items = applicable(plan, machine).into_iter();
    items.filter_map(|item| Some(DueItem { item, why: why(item)? })).collect()
}

fn why_again(last: &LastTry, under: &Fingerprints, every: Option<Span>, now: WallTime) -> Option<DueReason> {
    let changed = under.changed_since(&last.under).map(DueReason::Changed);
    match last.tried.outcome {
        DrillOutcome::Failed => Some(DueReason::Failed),
        DrillOutcome::NotTried => changed.or(Some(DueReason::Skipped)),
        DrillOutcome::Passed if last.shadow => Some(DueReason::OnlyInShadow),
        DrillOutcome::Passed => changed.or_else(|| {
            // What cannot be read counts as long ago.
            let at = parse_time(&last.tried.at).map_or(0, |at| at.0);
            let age = u64::try_from(now.0.saturating_sub(at)).unwrap_or(0);
            every.is_some_and(|every| age >= every.0).then_some(DueReason::TooLongAgo)
        }),
    }
}

/// As it follows the machine's name: "its drill is due: its outlet has changed since it was tried".
pub fn due_in_words(plan: &Plan, machine: MachineIx, drills: &Drills, due: &[DueItem]) -> Option<String> {
    let of = |wanted: fn(&DueReason) -> bool| -> Vec<&str> {
        due.iter().filter(|item| wanted(&item.why)).map(|item| item.item.claim()).collect()
    };
    let changed = due.iter().find_map(|item| match item.why {
        DueReason::Changed(what) => Some(what),
        _ => None,
    });
    let every = plan.machines[machine].drill_every;
    let newest = drills.tries.iter().map(|last| last.tried.at.as_str()).max().unwrap_or_default();
    let day = newest.get(..10).unwrap_or("?");
    let failed = of(|why| *why == DueReason::Failed);
    let said = if let Some(what) = changed {
        format!("{what} has changed since it was tried")
    } else if !failed.is_empty() {
        format!("this failed the last time: {}", in_a_row(&failed, "and"))
    } else if of(|why| *why == DueReason::TooLongAgo).len() * 2 > due.len() {
        let every = every.map_or_else(String::new, |every| format!(", and it is to be done every {every}"));
        format!("it was done last on {day}{every}")
    } else if drills.tries.is_empty() {
        "it was never done".to_owned()
    } else if of(|why| *why == DueReason::OnlyInShadow).len() == due.len() {
        "it was done in shadow mode, where nothing is switched".to_owned()
    } else {
        let rest: Vec<&str> = due.iter().map(|item| item.item.claim()).collect();
        format!("not tried: {}", rest.join("; "))
    };
    (!due.is_empty()).then(|| format!("its drill is due: {said}"))
}
