//! Emergency contacts with a position: a latching red button, a smoke contact.
//!
//! Being pushed is an emergency; staying pushed keeps the machines from being switched on. What is found pushed, at a
//! start or after nobody could see it for long, switches nothing: who knows how long ago it was. The machines are
//! locked then, and people are told.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{ContactUnclear, Effect};
use super::emergencies::Press;
use super::machine::Asked;
use super::messages::rejected;
use super::pushes::Pushes;
use super::quotas::Said;
use super::together::fold_announcements;
use crate::intake;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Arrival, ContactReport, Input, RequestKind};
use idlegate_plan::event::{Line, Message, Name};
use idlegate_plan::{self as plan, InputIx, InputSource, MachineIx, indices, text};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Position {
    Pushed,
    Released,
}

/// What is known of one contact.
#[derive(Clone, Debug, Default)]
pub(super) struct ContactSight {
    position: Option<Position>,
    /// Since when nobody has seen it, if it cannot be seen or was not seen since.
    unseen_since: Option<Moment>,
    /// The broker has stored for it that it was released; so what is stored there later is newer.
    is_stored: bool,
    /// Somebody who may has released it by hand, since it does not release itself.
    set_aside: bool,
    /// People have been told that it says neither.
    unclear: bool,
    /// It was found pushed in while nothing could be said: the machines of which people are still to be told.
    untold: Vec<Name>,
    /// Over both connections.
    pushes: Pushes,
    /// A release that may be older than a push that came over the other connection, and is behind it then.
    held: bool,
}

/// What a message makes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Change {
    Nothing,
    Released,
    /// Somebody has pushed it, no longer ago than this.
    Pushed(Span),
    /// It is pushed, and nobody can say since when.
    Found,
    /// It is pushed, as has been said over the other connection.
    Again,
}

impl ContactSight {
    pub(super) fn out_of_sight(&mut self, now: Moment) {
        self.unseen_since = self.unseen_since.or(Some(now));
    }

    fn is_pushed(&self) -> bool {
        self.position == Some(Position::Pushed) && !self.set_aside
    }

    fn says(&mut self, now: Moment, said: Position, stored: bool) -> Change {
        self.held = false;
        let before = self.position.replace(said);
        let unseen = self.unseen_since.take().map_or(Span::ZERO, |since| now.since(since));
        match (before, said) {
            (_, Position::Released) => {
                self.is_stored |= stored;
                self.set_aside = false;
                self.untold.clear();
                Change::Released
            }
            (Some(Position::Pushed), Position::Pushed) => Change::Nothing,
            // It comes live, and nobody has said that it was pushed before.
            (Some(Position::Released) | None, Position::Pushed) if !stored => Change::Pushed(Span::ZERO),
            (Some(Position::Released), Position::Pushed) if self.is_stored => Change::Pushed(unseen),
            (Some(Position::Released) | None, Position::Pushed) => Change::Found,
        }
    }
}

impl ContactSight {
    /// Over the main connection, which brings all of it in order.
    fn says_in_turn(&mut self, now: Moment, said: Position, stored: bool, age: Span) -> Change {
        match said {
            Position::Released if self.pushes.is_owed(now, Line::Main, age) => {
                self.is_stored |= stored;
                self.unseen_since = None;
                self.held = true;
                Change::Nothing
            }
            Position::Released => self.says(now, said, stored),
            Position::Pushed => {
                let copy = self.pushes.is_copy(now, Line::Main, age);
                match self.says(now, said, stored) {
                    Change::Pushed(_) | Change::Found if copy => Change::Again,
                    change => change,
                }
            }
        }
    }

    /// Over the connection for emergencies: whether it is pushed now, and was not before.
    fn is_pushed_ahead(&mut self, now: Moment, age: Span) -> bool {
        // One that has died is released and pushed again over the main connection, or not at all.
        if self.set_aside || self.pushes.is_copy(now, Line::Emergency, age) {
            return false;
        }
        self.position.replace(Position::Pushed) != Some(Position::Pushed)
    }
}

impl Engine {
    pub(super) fn is_contact(&self, input: InputIx) -> bool {
        matches!(self.plan.inputs[input].source, InputSource::Contact(_))
    }

    pub(super) fn contact_message(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        missed: bool,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let InputSource::Contact(rules) = &input.source else { return };
        let said = match intake::decode_word(&rules.source.path, &message.payload) {
            Ok(word) if word == rules.pushed => Position::Pushed,
            Ok(word) if word == rules.released => Position::Released,
            Ok(word) => return self.contact_unclear(now, input, &text::bounded(&word), message, out),
            Err(fault) if fault.says_nothing() => {
                if self.quotas.allows(now.moment, &input.name, Said::NoRequest) {
                    out.push(rejected(now, message, fault.to_string(), Some(&input.name)));
                }
                return;
            }
            Err(fault) => return self.contact_unclear(now, input, &fault.to_string(), message, out),
        };
        // Whatever its sender asks the broker to do with it; only the store itself makes it an old one.
        let stored = message.stored(true);
        let contact = self.contacts.entry(input.name.clone()).or_default();
        let was_unclear = std::mem::take(&mut contact.unclear);
        let change = match contact.says_in_turn(now.moment, said, stored, message.age) {
            // Somebody else heard it live while nobody guarded.
            _ if missed && said == Position::Pushed => Change::Pushed(message.age),
            change => change,
        };
        if was_unclear {
            out.push(Effect::ContactUnclear(self.unclear(now, input, None)));
        }
        match change {
            Change::Nothing => {}
            Change::Released | Change::Again => self.tell_contacts(now, &input.machines, out),
            Change::Pushed(unseen) => self.contact_pushed(now, index, unseen.max(message.age), message, out),
            Change::Found => self.contact_found(now, input, &input.machines, out),
        }
    }

    /// Only that it is pushed counts here: what else it says comes over the main connection, in its turn.
    pub(super) fn contact_emergency(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let input = &self.plan.inputs[index];
        let InputSource::Contact(rules) = &input.source else { return };
        let word = intake::decode_word(&rules.source.path, &message.payload);
        if message.stored(true) || word.ok().as_ref() != Some(&rules.pushed) {
            return;
        }
        let contact = self.contacts.entry(input.name.clone()).or_default();
        if contact.is_pushed_ahead(now.moment, message.age) {
            self.contact_pushed(now, index, message.age, message, out);
        }
    }

    /// The main connection is proved: whatever was behind a release is here.
    pub(super) fn release_held(&mut self, now: Now, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        for input in &plan.inputs {
            let Some(contact) = self.contacts.get_mut(&input.name) else { continue };
            if contact.held {
                contact.says(now.moment, Position::Released, false);
                self.tell_contacts(now, &input.machines, out);
            }
        }
    }

    /// The order goes first; that it stays pushed is told after it.
    fn contact_pushed(
        &mut self,
        now: Now,
        index: InputIx,
        since: Span,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let of_today = |machine: &MachineIx| since < plan.machines[*machine].policy.emergency_max_age;
        let (obey, find): (Vec<MachineIx>, Vec<MachineIx>) =
            input.machines.iter().copied().partition(of_today);
        let gesture = Name::new("pushed").expect("a constant that is a name");
        let press = Press { input, gesture: &gesture, machines: &obey, message, line: Line::Main };
        if find.is_empty() && self.is_repeated_push(now.moment, &press) {
            return self.tell_contacts(now, &obey, out);
        }
        let begin = out.len();
        let reply = self.reply_to(now, input, message, out);
        let asked = Asked { reply, ..Asked::plain(input.name.clone(), gesture, None) };
        let arrival = Arrival { retained: false, age: since };
        for machine in &obey {
            self.ask(now, *machine, index, RequestKind::EmergencyOff, asked.clone(), arrival, out);
        }
        fold_announcements(out, begin, plan.machines.len());
        self.tell_contacts(now, &obey, out);
        self.contact_found(now, input, &find, out);
    }

    fn contact_found(
        &mut self,
        now: Now,
        input: &plan::Input,
        machines: &[MachineIx],
        out: &mut Vec<Effect>,
    ) {
        // The broker says how it stands before the connection is proved. Nothing is switched on from now on; the rest
        // is for people to hear.
        if !self.link_up {
            let names = machines.iter().map(|machine| self.plan.machines[*machine].name.clone()).collect();
            self.contacts.entry(input.name.clone()).or_default().untold = names;
            return self.tell_contacts(now, machines, out);
        }
        let pushed = Some(self.names.input(&input.name));
        for machine in machines {
            self.tell_guard(now, *machine, Input::Contact(ContactReport { pushed, found: true }), out);
        }
    }

    /// Somebody can hear again what was found while nobody could.
    pub(super) fn tell_found(&mut self, now: Now, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        for input in &plan.inputs {
            let Some(contact) = self.contacts.get_mut(&input.name) else { continue };
            let untold = std::mem::take(&mut contact.untold);
            if contact.is_pushed() {
                let machines: Vec<MachineIx> =
                    untold.iter().filter_map(|name| Some(plan.machine(name.as_str())?.0)).collect();
                self.contact_found(now, input, &machines, out);
            }
        }
    }

    /// Each of these machines learns of a contact that is pushed in, or that none is any more.
    pub(super) fn tell_contacts(&mut self, now: Now, machines: &[MachineIx], out: &mut Vec<Effect>) {
        for machine in machines {
            let pushed = self.pushed_contact(*machine).map(|name| self.names.input(&name));
            if self.machines[*machine].guard.pushed() != pushed {
                let report = ContactReport { pushed, found: false };
                self.tell_guard(now, *machine, Input::Contact(report), out);
            }
        }
    }

    fn pushed_contact(&self, machine: MachineIx) -> Option<Name> {
        let mut of_machine = self.plan.inputs.iter().filter(|input| input.machines.contains(&machine));
        let is_pushed =
            |input: &&plan::Input| self.contacts.get(&input.name).is_some_and(ContactSight::is_pushed);
        of_machine.find(is_pushed).map(|input| input.name.clone())
    }

    /// Whoever may release a contact that has died does so by unlocking a machine that it keeps locked.
    pub(super) fn release_by_hand(&mut self, now: Now, machine: MachineIx, by: &Name, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let mut freed = Vec::new();
        for input in plan.inputs.iter().filter(|input| input.machines.contains(&machine)) {
            let InputSource::Contact(rules) = &input.source else { continue };
            let Some(contact) = self.contacts.get_mut(&input.name) else { continue };
            if contact.is_pushed() && rules.release_by.contains(by) {
                contact.set_aside = true;
                freed.extend(input.machines.iter().copied());
            }
        }
        self.tell_contacts(now, &freed, out);
    }

    /// New rules: what is known of contacts that are still declared stays known.
    pub(super) fn adopt_contacts(&mut self, now: Now, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let declared = |name: &Name| {
            plan.input(name.as_str())
                .is_some_and(|(_, input)| matches!(input.source, InputSource::Contact(_)))
        };
        self.contacts.retain(|name, _| declared(name));
        let all: Vec<MachineIx> = indices(&plan.machines).collect();
        self.tell_contacts(now, &all, out);
    }

    /// Nobody knows how it stands now. It counts as it did, and people must look.
    fn contact_unclear(
        &mut self,
        now: Now,
        input: &plan::Input,
        said: &str,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        if self.quotas.allows(now.moment, &input.name, Said::NoRequest) {
            let fault = format!("{said:?} is no position of a contact");
            out.push(rejected(now, message, fault, Some(&input.name)));
        }
        let contact = self.contacts.entry(input.name.clone()).or_default();
        if !std::mem::replace(&mut contact.unclear, true) {
            out.push(Effect::ContactUnclear(self.unclear(now, input, Some(said.into()))));
        }
    }

    fn unclear(&self, now: Now, input: &plan::Input, said: Option<Arc<str>>) -> ContactUnclear {
        let machines = input.machines.iter().map(|machine| {
            let machine = &self.plan.machines[*machine];
            (machine.name.clone(), Arc::from(machine.title.as_str()))
        });
        ContactUnclear {
            at: now,
            input: (input.name.clone(), input.title.as_str().into()),
            machines: machines.collect(),
            said,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Position::{Pushed, Released};

    fn seen(before: &[(Position, bool)]) -> ContactSight {
        let mut contact = ContactSight::default();
        for (said, stored) in before {
            contact.says(Moment(0), *said, *stored);
        }
        contact
    }

    #[test]
    fn being_pushed_counts_once_and_a_stored_position_only_after_a_stored_release() {
        for (before, said, stored, change) in [
            (vec![(Released, false)], Pushed, false, Change::Pushed(Span::ZERO)),
            (vec![(Released, false), (Pushed, false)], Pushed, false, Change::Nothing),
            (vec![(Released, false)], Pushed, true, Change::Found),
            (vec![(Released, true)], Pushed, true, Change::Pushed(Span::ZERO)),
            (vec![], Pushed, true, Change::Found),
            (vec![], Pushed, false, Change::Pushed(Span::ZERO)),
            (vec![(Pushed, true)], Pushed, false, Change::Nothing),
            (vec![(Pushed, true)], Released, false, Change::Released),
        ] {
            assert_eq!(seen(&before).says(Moment(0), said, stored), change, "{before:?} {said:?} {stored}");
        }
    }

    #[test]
    fn what_happened_out_of_sight_is_as_old_as_it_may_be() {
        let mut contact = seen(&[(Released, true)]);
        contact.out_of_sight(Moment(1_000));
        contact.out_of_sight(Moment(5_000));
        assert_eq!(contact.says(Moment(9_000), Pushed, true), Change::Pushed(Span(8_000)));
    }
}
