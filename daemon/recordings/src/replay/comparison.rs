//! What requests were answered, as the journal has it, beside what other rules would have answered to the same
//! readings.
//!
//! Only answers that rest on readings are compared: an off that acted, was held or deferred. Whether a machine was in a
//! job is judged by the journal alone, never by the rules that are being tried.

use super::player::{Prospect, Question};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{Found, JournalReader, Query, RecordKind, StoreError};
use idlegate_messages::{Decision, Finding, State, Word};
use idlegate_plan::Plan;
use idlegate_plan::event::Name;

/// Without any record for so long, nothing was kept: the guard or its recording was not there.
const SILENT_MAX: Span = Span::secs(600);
/// Readings must reach back so far before a request: what came before them, the guard may have known. Unless it had
/// just been started.
const LEAD: Span = Span::secs(900);
const STARTED_WITHIN: Span = Span::secs(60);
/// No machine is held that much longer than its detectors ask for.
const HELD_LONGER_MAX: Span = Span::secs(1_800);
/// A job whose end was foreseen has ended by then, or it went on.
const FORESEEN_SLACK: Span = Span::secs(30);

/// A request and its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    pub at: WallTime,
    pub machine: Name,
    pub input: String,
    pub request: String,
    /// "acted", "held" or "deferred".
    pub decision: String,
    /// What the detectors said.
    pub reason: String,
    /// It was held or deferred, and the machine had not finished.
    pub in_job: bool,
}

/// Whether the guard was started just before this time, so that it knew nothing.
pub fn had_started(reader: &JournalReader, at: WallTime) -> Result<bool, StoreError> {
    let from = WallTime(at.0.saturating_sub(STARTED_WITHIN.0.cast_signed()));
    let to = WallTime(at.0.saturating_add(1));
    let query = Query { from: Some(from), to: Some(to), kinds: vec![RecordKind::Start], ..Query::default() };
    Ok(reader.records(&query).next().transpose()?.is_some())
}

/// All such requests since then, oldest first.
pub fn asked(reader: &JournalReader, from: WallTime) -> Result<Vec<Asked>, StoreError> {
    let query =
        Query { from: Some(from), kinds: vec![RecordKind::Decision, RecordKind::State], ..Query::default() };
    let records: Vec<Found> = reader
        .records(&query)
        .filter(|found| found.as_ref().map_or(true, |found| found.intact && found.machine.is_some()))
        .collect::<Result<_, _>>()?;
    let compared = records.iter().enumerate().filter_map(|(index, found)| {
        let said: Decision = (found.kind() == Some(RecordKind::Decision)).then(|| found.read())?;
        let machine = Name::new(found.machine.as_deref()?).ok()?;
        let acted = match &*said.reason {
            "machine-idle" => true,
            "machine-busy" | "machine-unknown" | "until-idle" => false,
            _ => return None,
        };
        Some(Asked {
            at: found.at.wall,
            in_job: !acted && !has_finished(found, &said, &records[..index], &records[index + 1..]),
            machine,
            reason: reasons(&said),
            input: said.input,
            request: said.request.unwrap_or_default().into_owned(),
            decision: said.decision.into_owned(),
        })
    });
    Ok(compared.collect())
}

/// What those detectors said that count.
fn reasons(decision: &Decision) -> String {
    let said: Vec<&str> = holding(decision).map(|finding| finding.reason.as_str()).collect();
    said.join("; ")
}

/// The detectors behind the answer: those that held, or all where none did.
fn holding(decision: &Decision) -> impl Iterator<Item = &Finding> {
    let all = &decision.detectors;
    let counts = |finding: &&Finding| finding.role == "hold";
    let held = move |finding: &&Finding| counts(finding) && finding.state != "idle";
    let any = all.iter().any(|detector| held(&detector));
    all.iter().filter(move |detector| if any { held(detector) } else { counts(detector) })
}

/// The guard waited only for the rest of its dwell, and nothing came in it. Whatever else it was, a job may have been
/// going on; but a machine of which nothing was known was in a job only if it was before or afterwards.
fn has_finished(decision: &Found, said: &Decision, before: &[Found], after: &[Found]) -> bool {
    let states = |found: &Found| {
        let of_it = found.kind() == Some(RecordKind::State) && found.machine == decision.machine;
        of_it.then(|| (found.at.wall, found.read::<State>().state))
    };
    if said.state.as_deref() == Some("unknown") {
        let known = |(_, state): &(WallTime, Word)| state != "unknown";
        let was = before.iter().rev().filter_map(states).find(known);
        let then = after.iter().filter_map(states).find(known);
        return [was, then].iter().flatten().all(|(_, state)| state == "idle");
    }
    let next = after.iter().filter_map(states).next();
    // Held longer than its detectors ask for, it was in a job if it went back to work once more.
    if holding(said).all(|finding| finding.state == "idle") {
        let until = decision.at.wall.0.saturating_add(HELD_LONGER_MAX.0.cast_signed());
        return next.is_some_and(|(at, state)| state == "idle" && at.0 <= until);
    }
    let foreseen = holding(said).map(|finding| finding.clears_in_s).collect::<Option<Vec<_>>>();
    let Some(secs) = foreseen.filter(|all| !all.is_empty()) else { return false };
    let longest = secs.into_iter().fold(0.0, f64::max);
    let until =
        decision.at.wall.0.saturating_add(millis(longest)).saturating_add(FORESEEN_SLACK.0.cast_signed());
    next.is_some_and(|(at, state)| state == "idle" && at.0 <= until)
}

#[expect(clippy::cast_possible_truncation, reason = "of a prediction, bounded before")]
fn millis(secs: f64) -> i64 {
    (secs.clamp(0.0, 1e9) * 1_000.0) as i64
}

/// Gathers what other rules answer.
#[derive(Debug)]
pub struct Comparison {
    asked: Vec<Asked>,
    /// Of each question, which request it is.
    questions: Vec<(usize, Question)>,
    /// From then on the readings tell all that the guard knew.
    whole_from: WallTime,
    compared: Compared,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Compared {
    pub alike: usize,
    pub otherwise: Vec<Otherwise>,
    /// Of machines that the rules do not have.
    pub unknown_machines: usize,
    /// Around them no readings were kept.
    pub without_readings: usize,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Otherwise {
    pub asked: Asked,
    /// Whether the other rules would act.
    pub acts: bool,
    pub reason: String,
}

impl Otherwise {
    /// The one thing that must not happen.
    pub fn ends_a_job(&self) -> bool {
        self.acts && self.asked.in_job
    }
}

impl Comparison {
    /// The readings begin at `from`, with the guard itself or later.
    pub fn new(plan: &Plan, asked: Vec<Asked>, from: WallTime, with_the_guard: bool) -> Comparison {
        let place = |asked: &Asked| plan.machine(asked.machine.as_str()).map(|(machine, _)| machine);
        let questions: Vec<_> = asked
            .iter()
            .enumerate()
            .filter_map(|(index, asked)| Some((index, Question { at: asked.at, machine: place(asked)? })))
            .collect();
        let compared = Compared {
            unknown_machines: asked.len() - questions.len(),
            // Until they have been answered.
            without_readings: questions.len(),
            ..Compared::default()
        };
        let lead = if with_the_guard { 0 } else { LEAD.0.cast_signed() };
        Comparison { asked, questions, whole_from: WallTime(from.0.saturating_add(lead)), compared }
    }

    pub fn questions(&self) -> Vec<Question> {
        self.questions.iter().map(|(_, question)| *question).collect()
    }

    pub fn note(&mut self, reply: &Prospect) {
        let Some((index, question)) = self.questions.get(reply.question) else { return };
        let asked = &self.asked[*index];
        let silent = reply
            .latest
            .is_none_or(|latest| !(0..=SILENT_MAX.0.cast_signed()).contains(&(question.at.0 - latest.0)));
        let acts = reply.state == PermissiveState::Clear;
        let is_alike = acts == (asked.decision == "acted");
        if silent || (question.at < self.whole_from && !is_alike) {
            return;
        }
        self.compared.without_readings -= 1;
        if is_alike {
            self.compared.alike += 1;
        } else {
            let asked = asked.clone();
            self.compared.otherwise.push(Otherwise { asked, acts, reason: reply.reason.clone() });
        }
    }

    pub fn compared(self) -> Compared {
        self.compared
    }
}

#[cfg(test)]
mod tests;
