//! What became of a request to a group, in one answer: first what is off, then what follows and when, then what stays.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::answers::{self, against, denied, full_stop, grounds, reason_clause};
use super::sentence::Sentence;
use super::sentences::{NAMED_MAX, some_of, template};
use super::template::fill;
use idlegate_engine::{Decided, GroupAnswered, GroupMember, Why};
use idlegate_guard::time::Span;
use idlegate_guard::{Decision, PermissiveState, Reason, RequestKind, Switch};

/// What became of one machine of the group, in the order in which it is said. Machines of which the same is true are
/// named together.
#[derive(Clone, Debug, PartialEq)]
enum Fate {
    IsOff,
    /// Its outlet has not said so yet.
    ToldOff,
    OffIn(Span),
    /// It has been idle only for a moment.
    Settles,
    OnceIdle(Option<Span>),
    Follows(Vec<Arc<str>>, Option<Span>),
    /// Why nobody can tell whether it is idle.
    OnceKnown(String),
    StaysAsked,
    NothingToCancel,
    NotAllowed,
    /// What was not done, and why.
    Refused(&'static str, String),
    Ignored(String),
    AwaitsReadings,
    /// In a sentence of its own.
    Alone(String),
}

pub fn group_answer(told: &GroupAnswered) -> String {
    let mut fates: Vec<(Fate, Vec<&str>)> = Vec::new();
    for member in &told.members {
        let fate = fate(told, member);
        match fates.iter_mut().find(|(other, _)| *other == fate) {
            Some((_, titles)) => titles.push(&member.title),
            None => fates.push((fate, vec![&member.title])),
        }
    }
    if let [(Fate::Ignored(why), _)] = fates.as_slice() {
        return full_stop(format!("Nothing was done: {why}"));
    }
    if let [(Fate::NothingToCancel, _)] = fates.as_slice() {
        return "There is nothing to cancel.".to_owned();
    }
    // A stable sort: the rules' own order decides between equals.
    fates.sort_by_key(|(fate, _)| fate.rank());
    let first_goes = fates.first().is_some_and(|(fate, _)| fate.rank() <= Fate::OffIn(Span::ZERO).rank());
    let said = fates.iter().enumerate().take(NAMED_MAX);
    let mut said: Vec<String> = said
        .map(|(place, (fate, titles))| full_stop(fate.in_words(told, titles, first_goes && place > 0)))
        .collect();
    if let Some(more) = fates.len().checked_sub(NAMED_MAX).filter(|more| *more > 0) {
        said.push(format!("For {more} more see their own decisions."));
    }
    said.join(" ")
}

/// For people near the machines.
pub fn group_announcement(told: &GroupAnswered, answer: &str, own: &BTreeMap<String, String>) -> String {
    fill(template(Sentence::GroupAsked, false, own), |placeholder| match placeholder {
        "group" => Some(told.group.1.to_string()),
        "input" => Some(told.input.1.to_string()),
        "answer" => Some(answer.to_owned()),
        _ => None,
    })
}

fn fate(told: &GroupAnswered, member: &GroupMember) -> Fate {
    let Some(decided) = member.decided.as_deref() else { return Fate::AwaitsReadings };
    let alone = || Fate::Alone(answers::decision(decided));
    let reason = match &decided.why {
        Why::MachineNotAllowed => return Fate::NotAllowed,
        Why::Guard(_) if decided.shadow => return alone(),
        Why::Guard(reason) => *reason,
        Why::DeferralDue
        | Why::UnknownMachine(_)
        | Why::UnknownService(_)
        | Why::UnknownGroup(_)
        | Why::GroupNotAllowed
        | Why::NotByGroup(_)
        | Why::RequestNotAllowed
        | Why::Malformed(_) => return alone(),
    };
    let is_off = member.outlet == Some(Switch::Off) && told.request != RequestKind::Cancel;
    match (reason.decision(), reason) {
        (_, Reason::DeferralCancelled) => Fate::StaysAsked,
        (_, Reason::NothingToCancel) => Fate::NothingToCancel,
        (Decision::Refused, _) => {
            Fate::Refused(denied(decided.request, Some(reason), false), against(decided, reason))
        }
        (Decision::Ignored, _) => {
            let why = decided.against.as_deref().unwrap_or_else(|| reason_clause(reason));
            Fate::Ignored(why.to_owned())
        }
        (Decision::Acted | Decision::NothingToDo | Decision::Deferred, _) if is_off => Fate::IsOff,
        (_, Reason::MachineIdle | Reason::AlreadySwitching) => Fate::ToldOff,
        (Decision::Deferred, _) => deferred(member, decided),
        (Decision::Acted | Decision::NothingToDo | Decision::Held, _) => alone(),
    }
}

fn deferred(member: &GroupMember, decided: &Decided) -> Fate {
    if let Some(acts_in) = member.acts_in {
        return Fate::OffIn(acts_in);
    }
    if !member.follows.is_empty() {
        return Fate::Follows(member.follows.clone(), member.clears_in);
    }
    match decided.grounds.state {
        _ if decided.grounds.kept_on.is_some() => Fate::OnceKnown(grounds(decided)),
        Some(PermissiveState::Clear) => Fate::Settles,
        Some(PermissiveState::Busy) => Fate::OnceIdle(member.clears_in),
        Some(PermissiveState::Unknown) | None => Fate::OnceKnown(grounds(decided)),
    }
}

impl Fate {
    fn rank(&self) -> u8 {
        match self {
            Fate::IsOff => 0,
            Fate::ToldOff => 1,
            Fate::OffIn(_) => 2,
            Fate::Settles => 3,
            Fate::OnceIdle(_) => 4,
            Fate::Follows(..) => 5,
            Fate::OnceKnown(_) => 6,
            Fate::StaysAsked => 7,
            Fate::NothingToCancel => 8,
            Fate::NotAllowed => 9,
            Fate::Refused(..) => 10,
            Fate::Ignored(_) => 11,
            Fate::AwaitsReadings => 12,
            Fate::Alone(_) => 13,
        }
    }

    /// `after`: something has been said to go off before it.
    fn in_words(&self, told: &GroupAnswered, titles: &[&str], after: bool) -> String {
        let these = some_of(titles);
        let one = titles.len() == 1;
        let by_number =
            |of_one: &'static str, of_several: &'static str| if one { of_one } else { of_several };
        let goes = match (after, one) {
            (true, true) => "follows",
            (true, false) => "follow",
            (false, true) => "goes off",
            (false, false) => "go off",
        };
        let at_least =
            |span: &Option<Span>| span.map_or_else(String::new, |span| format!(", {span} at least"));
        let (is, it) = (by_number("is", "are"), by_number("it is", "they are"));
        match self {
            Fate::IsOff => format!("{these} {is} off"),
            Fate::ToldOff => {
                let whose = by_number("its outlet has", "their outlets have");
                format!(
                    "{these} {} told to switch off, but {whose} not confirmed it",
                    by_number("was", "were")
                )
            }
            Fate::OffIn(span) => {
                format!("{these} {is} idle and will be switched off in {span}, unless somebody cancels")
            }
            Fate::Settles => format!("{these} {goes} soon, if {} idle", by_number("it stays", "they stay")),
            Fate::OnceIdle(clears_in) => format!("{these} {goes} when {it} idle{}", at_least(clears_in)),
            Fate::Follows(leaders, clears_in) => {
                let leaders: Vec<&str> = leaders.iter().map(AsRef::as_ref).collect();
                let follow = by_number("follows", "follow");
                format!("{these} {follow} {}{}", some_of(&leaders), at_least(clears_in))
            }
            Fate::OnceKnown(why) => format!("{these} {goes} when {it} idle. For now: {why}"),
            Fate::StaysAsked => format!("{these} will not be switched off after all"),
            Fate::NothingToCancel => format!("There was nothing to cancel for {these}"),
            Fate::NotAllowed => {
                let stays = by_number("it stays as it is", "they stay as they are");
                format!("{} may not ask about {these}, so {stays}", told.input.1)
            }
            Fate::Refused(denied, why) => {
                let were = denied.strip_prefix("was ").filter(|_| !one);
                let denied = were.map_or_else(|| (*denied).to_owned(), |rest| format!("were {rest}"));
                format!("{these} {denied}: {why}")
            }
            Fate::Ignored(why) => format!("{these}: {why}"),
            Fate::AwaitsReadings => {
                let whose = by_number("is waiting", "are waiting");
                format!("{these} {whose} for fresh readings, and will be decided then")
            }
            Fate::Alone(sentence) => sentence.clone(),
        }
    }
}
