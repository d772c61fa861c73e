//! Every sentence that is said of an announcement or an incident, and that the rules may replace: its word in the
//! rules, what it can fill in, and how it is worded unless the rules say otherwise.
//!
//! A sentence is short, says the machine's name first, and gives the reason in numbers; where there is something
//! to do, it ends with what. What only would have been done, in shadow mode, is said as such: each row has that form of
//! it, or says that it is the `same` there, as an emergency is, and whatever was seen and not decided.

const SPOKEN: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input"];
const TIMED: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "window"];
const HELD: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "window", "how"];
const LET_GO: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "how", "pause"];
const TURNED_AWAY: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "how"];
const REFUSAL: &[&str] =
    &["machine", "reason", "reading", "signal", "detector", "input", "how", "request", "denied", "why"];
/// Of what cannot be seen.
const BLIND: &[&str] = &["machine", "meter", "signal", "for", "why", "meanwhile"];
const BLIND_INPUT: &[&str] = &["input", "for", "why"];
/// Of a detector that gives no answer.
const GONE_DETECTOR: &[&str] = &["machine", "detector", "why", "meanwhile"];
const JOB_DONE: &[&str] = &["machine", "lasted", "drawn", "next"];
const JOB_UNSEEN: &[&str] = &["machine", "lasted", "drawn", "next", "from", "until"];
const INCIDENT: &[&str] = &["machine", "reason", "reading", "signal", "detector"];

macro_rules! in_shadow {
    (same) => {
        None
    };
    ($text:literal) => {
        Some($text)
    };
}

macro_rules! sentences {
    (
        $($sentence:ident = $word:literal, $placeholders:expr, $text:literal $(, of several: $several:literal)?,
            in shadow: $shadow:tt;)*
    ) => {
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Sentence { $($sentence,)* }

        impl Sentence {
            const ALL: &[Sentence] = &[$(Sentence::$sentence,)*];
            pub const WORDS: &[&str] = &[$($word,)*];

            pub(super) const fn word(self) -> &'static str {
                match self { $(Sentence::$sentence => $word,)* }
            }

            /// What it may contain in braces. One that can fill in a detector can fill in that detector's settings,
            /// too.
            pub const fn placeholders(self) -> &'static [&'static str] {
                match self { $(Sentence::$sentence => $placeholders,)* }
            }

            pub(super) const fn text(self) -> &'static str {
                match self { $(Sentence::$sentence => $text,)* }
            }

            /// Of several machines at once, where the rules have no sentence of their own for it.
            pub(super) const fn of_several(self) -> Option<&'static str> {
                let several: &[&'static str] = match self { $(Sentence::$sentence => &[$($several)?],)* };
                several.first().copied()
            }

            /// Of one machine or of several in shadow mode, where nothing was done. Nothing for what is just as true
            /// there.
            pub(super) const fn in_shadow(self) -> Option<&'static str> {
                match self { $(Sentence::$sentence => in_shadow!($shadow),)* }
            }
        }
    };
}

sentences! {
    Held = "held", HELD,
        "{machine} stays on: {reason}. To switch it off all the same, {how} within {window}.",
        in shadow: "Shadow: {machine} would have stayed on: {reason}.";
    HeldUnknown = "held-unknown", HELD,
        "{machine} stays on, because it may be busy: {reason}. To switch it off all the same, {how} within {window}.",
        in shadow: "Shadow: {machine} would have stayed on, because it may be busy: {reason}.";
    HeldNoForce = "held-no-force", TURNED_AWAY,
        "{machine} stays on: {reason}. {input} may not force it off; {how}.",
        in shadow: "Shadow: {machine} would have stayed on: {reason}.";
    WindowOver = "window-over", SPOKEN,
        "{machine} stays on: nobody forced it off in time.",
        in shadow: "Shadow: {machine} would have stayed on: nobody forced it off in time.";
    Forced = "forced", SPOKEN,
        "{machine} is being forced off by {input}.",
        in shadow: "Shadow: {machine} would be off now, forced by {input}.";
    EmergencyOff = "emergency-off", SPOKEN,
        "{machine} is being switched off: emergency off by {input}. It stays locked until somebody unlocks it.",
        of several:
            "Emergency off by {input}: {machine} are being switched off.{out_of_sight} They stay locked until \
             somebody unlocks them.",
        in shadow: same;
    Locked = "locked", SPOKEN,
        "{machine} was locked by {input}. Nobody can switch it on through Idlegate until it is unlocked.",
        of several:
            "{input} has locked {machine}. Nobody can switch them on through Idlegate until they are unlocked.",
        in shadow: "Shadow: {machine} would be locked now by {input}.";
    Unlocked = "unlocked", SPOKEN,
        "{machine} was unlocked by {input}. Nothing was switched.",
        of several:
            "{input} has unlocked {machine}. Nothing was switched.",
        in shadow: "Shadow: {machine} would be unlocked now by {input}, and nothing would be switched.";
    LockLifted = "lock-lifted", SPOKEN,
        "{machine} is still locked by {reason}. The lock of {input} was lifted.",
        in shadow: "Shadow: {machine} would still be locked by {reason}.";
    Refused = "refused", REFUSAL,
        "{machine} {denied}: {why}.",
        in shadow: "Shadow: {machine} {denied}: {why}.";
    EmergencyIgnored = "emergency-ignored", SPOKEN,
        "{machine} was not switched off: the emergency off from {input} was an old message that the broker had \
         stored. Delete it there. If there is an emergency now, press again.",
        of several:
            "The emergency off from {input} was not obeyed: it was an old message that the broker had stored. Delete \
             it there. If there is an emergency now, press again. It was for {machine}.",
        in shadow: same;
    EmergencyTooOld = "emergency-too-old", SPOKEN,
        "{machine} was not switched off: the emergency off from {input} arrived too late. If there is an emergency \
         now, press again.",
        of several:
            "The emergency off from {input} was not obeyed: it arrived too late. If there is an emergency now, press \
             again. It was for {machine}.",
        in shadow: same;
    Deferred = "deferred", SPOKEN,
        "{machine} will be switched off as soon as it is idle. For now it stays on: {reason}.",
        in shadow: "Shadow: {machine} would have stayed on for now: {reason}. It would be switched off as soon as it is idle.";
    DeferralCancelled = "deferral-cancelled", SPOKEN,
        "{machine} will not be switched off after all.",
        in shadow: "Shadow: {machine} would not be switched off after all.";
    GroupAsked = "group-asked", &["group", "input", "answer"],
        "{answer}",
        in shadow: same;
    DeferralNotice = "deferral-notice", TIMED,
        "{machine} is idle and will be switched off in {window}, unless somebody cancels.",
        in shadow: "Shadow: {machine} would be switched off in {window}, since it is idle, unless somebody cancels.";
    DeferralBusyAgain = "deferral-busy-again", SPOKEN,
        "{machine} stays on for now: {reason}. It will be switched off as soon as it is idle.",
        in shadow: "Shadow: {machine} would stay on for now: {reason}. It would be switched off as soon as it is idle.";
    DeferralExpired = "deferral-expired", SPOKEN,
        "{machine} is still on: it was never idle long enough to be switched off, and Idlegate no longer waits for \
         it.",
        in shadow: "Shadow: Idlegate would no longer wait to switch {machine} off: it was never idle long enough.";
    KeptOn = "kept-on", TIMED,
        "{machine} stays on for {window}, however idle it looks: {input} asked for it.",
        in shadow: "Shadow: {machine} would stay on for {window}, however idle it looks: {input} asked for it.";
    KeepOnOver = "keep-on-over", SPOKEN,
        "{machine} is no longer kept on: its time is over.",
        in shadow: "Shadow: {machine} would no longer be kept on: its time is over.";
    KeepOnCancelled = "keep-on-cancelled", SPOKEN,
        "{machine} is no longer kept on: {input} took that back.",
        in shadow: "Shadow: {machine} would no longer be kept on: {input} took that back.";
    OffAbandoned = "off-abandoned", SPOKEN,
        "{machine} was not switched off after all: {reason}.",
        in shadow: "Shadow: {machine} would not have been switched off after all: {reason}.";
    StuckInput = "stuck-input", SPOKEN,
        "{input} keeps repeating itself and may be stuck. Idlegate ignores it until it stops.",
        in shadow: same;
    SaysOff = "says-off", HELD,
        "{machine}'s outlet says that it is off. If the machine is still running, {how} within {window}.",
        in shadow: "Shadow: if {machine} were still running, although its outlet says \"off\", you would have to {how} within \
         {window}.";
    FoundPushed = "found-pushed", SPOKEN,
        "{input} is pushed in, and nobody saw it happen. {machine} is locked; nothing was switched. If it is on and \
         should not be, switch it off now.",
        in shadow: same;
    LetGo = "let-go", LET_GO,
        "{machine}: let go of {input}, wait {pause}, then {how}.",
        in shadow: "Shadow: {machine} would not be forced off yet. You would have to let go of {input}, wait {pause}, then {how}.";
    Finished = "finished", JOB_DONE,
        "{machine} has finished after {lasted}{drawn}.{next}",
        in shadow: "Shadow: people would hear that {machine} has finished after {lasted}{drawn}.{next}";
    Cut = "cut", &["machine", "lasted", "drawn", "how"],
        "{machine} was cut off in the middle of its job, after {lasted}{drawn}: {how}. Go and look at it.",
        in shadow: "Shadow: people would hear that {machine} was cut off in the middle of its job, after {lasted}{drawn}: {how}.";
    EndedUnseen = "ended-unseen", JOB_UNSEEN,
        "{machine} ended its job between {from} and {until}, while nobody could see it. Look whether the job was \
         finished.{next}",
        in shadow: "Shadow: people would hear that {machine} ended its job between {from} and {until}, while nobody could \
         see it.{next}";
    MayBeOff = "may-be-off", SPOKEN,
        "{machine} may be switched off now.",
        in shadow: "Shadow: people would hear that {machine} may be switched off now.";
    LeftOn = "left-on", &["machine", "idle_for"],
        "{machine} is still on, and has been idle for {idle_for} since its job.",
        in shadow: "Shadow: people would hear that {machine} is still on, and has been idle for {idle_for} since its job.";
    PowerBack = "power-back", &["from", "until", "jobs", "on"],
        "Power was lost between {from} and {until}.{jobs}{on}",
        in shadow: "Shadow: people would hear that power was lost between {from} and {until}.{jobs}{on}";
    OnByAnotherRoute = "on-by-another-route", INCIDENT,
        "{machine} was switched on, but not through Idlegate.",
        in shadow: same;
    OffByAnotherRoute = "off-by-another-route", INCIDENT,
        "{machine} was switched off, but not through Idlegate.",
        in shadow: same;
    OffByAnotherRouteUrgent = "off-by-another-route-urgent", INCIDENT,
        "{machine} was switched off, but not through Idlegate, and may have been busy: {reason}. Go and look at it.",
        in shadow: same;
    NotConfirmed = "not-confirmed", INCIDENT,
        "{machine} may not have switched: its outlet has not confirmed. Go and look at it.",
        of several:
            "{machine} may not have switched: their outlets have not confirmed. Go and look at them.",
        in shadow: same;
    StillDrawing = "still-drawing", INCIDENT,
        "{machine} still draws power, although its outlet says that it is off: {reason}. Go and look at it.",
        in shadow: same;
    OnByAnotherRouteOver = "on-by-another-route-over", INCIDENT,
        "{machine} is off again.",
        in shadow: same;
    OffByAnotherRouteOver = "off-by-another-route-over", INCIDENT,
        "{machine} is on again.",
        in shadow: same;
    NotConfirmedOver = "not-confirmed-over", INCIDENT,
        "{machine}'s outlet has now confirmed.",
        in shadow: same;
    NotConfirmedRetried = "not-confirmed-retried", INCIDENT,
        "{machine} is being switched once more; its outlet had not confirmed the last time.",
        in shadow: same;
    StillDrawingOver = "still-drawing-over", INCIDENT,
        "{machine}'s outlet and meter agree again.",
        in shadow: same;
    OutletsLost = "outlets-lost", &["machines"],
        "{machines} went off or out of reach at the same time. The mains, the hub or the network may be down. Look at \
         the machines before they come back on.",
        in shadow: same;
    OutletsBack = "outlets-back", &["machines"],
        "{machines} are back.",
        in shadow: same;
    ContactUnclear = "contact-unclear", &["input", "said", "machines"],
        "{input} says {said}, so nobody knows whether it is pushed in. Go and look at it, and at {machines}.",
        in shadow: same;
    ContactUnclearOver = "contact-unclear-over", &["input", "machines"],
        "{input} says again whether it is pushed in.",
        in shadow: same;
    OrderByAnotherRoute = "order-by-another-route", &["machine", "order", "topic"],
        "{machine}'s outlet was sent \"{order}\", but not by Idlegate. Find out who sent it, and take away their \
         right to publish on {topic}.",
        in shadow: same;
    OrderByAnotherRouteStored = "order-by-another-route-stored", &["machine", "order", "topic"],
        "{machine}'s outlet will be told \"{order}\" every time it reconnects, even in the middle of a job: somebody \
         other than Idlegate has left this order at the broker. Delete it now by publishing an empty retained message \
         on {topic}, and take away their right to publish there.",
        in shadow: same;
    OrderByAnotherRouteOver = "order-by-another-route-over", &["machine", "topic"],
        "{machine}'s outlet is now sent orders by Idlegate alone.",
        in shadow: same;
    DetectorStopped = "detector-stopped", GONE_DETECTOR,
        "{machine}: its detector {detector} stopped: {why}. {meanwhile}",
        in shadow: same;
    DetectorNotLoaded = "detector-not-loaded", GONE_DETECTOR,
        "{machine}: its detector {detector} cannot be used: {why}. {meanwhile}",
        in shadow: same;
    DetectorTakenOut = "detector-taken-out", GONE_DETECTOR,
        "{machine}: its detector {detector} kept stopping and was taken out of use until its file changes: {why}. \
         {meanwhile}",
        in shadow: same;
    DetectorStoppedOver = "detector-stopped-over", &["machine", "detector"],
        "{machine}: its detector {detector} works again.",
        in shadow: same;
    Warning = "warning", &["machine", "detector", "reason"],
        "{machine}: {reason}.",
        in shadow: same;
    WarningOver = "warning-over", &["machine", "detector", "reason"],
        "{machine}: this is over: {reason}.",
        in shadow: same;
    NeededMachineOff = "needed-machine-off", &["machine", "needed"],
        "{machine} is working without {needed}, which has gone off. Go and look at it.",
        in shadow: same;
    NeededMachineOffOver = "needed-machine-off-over", &["machine", "needed"],
        "{machine} is no longer working without {needed}.",
        in shadow: same;
    ServiceDue = "service-due", &["machine", "why"],
        "{machine}: {why}.",
        in shadow: same;
    MeterSilent = "meter-silent", BLIND,
        "{machine}: {meter} has been silent for {for}. {meanwhile}",
        of several: "{machine}: their meters have been silent for {for}. {meanwhile}",
        in shadow: same;
    MeterSilentOver = "meter-silent-over", BLIND,
        "{machine}: {meter} speaks again.",
        of several: "{machine}: their meters speak again.",
        in shadow: same;
    MeterStuck = "meter-stuck", BLIND,
        "{machine}: {meter} has read exactly {why} for {for} and may be stuck. {meanwhile}",
        in shadow: same;
    MeterStuckOver = "meter-stuck-over", BLIND,
        "{machine}: {meter} moves again.",
        in shadow: same;
    OutletUnreachable = "outlet-unreachable", BLIND,
        "{machine}: its outlet has been out of reach for {for}. Until it is back, an off may not get through, not even an emergency off. \
         If it has to be switched off, go there.",
        of several:
            "{machine}: their outlets have been out of reach for {for}. Until they are back, an off may not get through, not even an \
             emergency off. If they have to be switched off, go there.",
        in shadow: same;
    OutletReachable = "outlet-unreachable-over", BLIND,
        "{machine}: its outlet is in reach again.",
        of several: "{machine}: their outlets are in reach again.",
        in shadow: same;
    PayloadNotUnderstood = "payload-not-understood", BLIND,
        "{machine}: what {meter} sends has not been understood for {for}: {why}. {meanwhile}",
        in shadow: same;
    PayloadUnderstood = "payload-not-understood-over", BLIND,
        "{machine}: what {meter} sends is understood again.",
        in shadow: same;
    InputSilent = "input-silent", BLIND_INPUT,
        "{input} has not been heard for {for}. Try whether it still works.",
        of several: "{input} have not been heard for {for}. Try whether they still work.",
        in shadow: same;
    InputHeard = "input-silent-over", BLIND_INPUT,
        "{input} is heard again.",
        of several: "{input} are heard again.",
        in shadow: same;
    BatteryLow = "battery-low", BLIND_INPUT,
        "{input}: its battery is low ({why}). Change it before it falls silent.",
        in shadow: same;
    BatteryGood = "battery-low-over", BLIND_INPUT,
        "{input}: its battery is good again.",
        in shadow: same;
    JournalOut = "journal-not-recording", &["for", "why"],
        "Idlegate has not been able to record anything for {for}: {why}. It guards as ever, but after a restart lockouts may be \
         lost. Look at the disk.",
        in shadow: same;
    JournalRecords = "journal-not-recording-over", &["for"],
        "Idlegate records again.",
        in shadow: same;
    ClockUnset = "clock-not-set", &["why"],
        "The clock of Idlegate's computer is not set: it says {why}. Until it is set, schedules and hours are wrong.",
        in shadow: same;
    ClockSet = "clock-not-set-over", &[],
        "The clock of Idlegate's computer is set.",
        in shadow: same;
    LateBroker = "late-broker", &[],
        "The broker delivers messages that have expired. An off for an outlet that is out of reach may arrive hours \
         later, in the middle of a job. Use another broker, or set the outlets to begin a new session whenever they \
         connect.",
        in shadow: same;
    LateBrokerOver = "late-broker-over", &[],
        "The broker no longer delivers messages that have expired.",
        in shadow: same;
    LockoutsInDoubt = "lockouts-in-doubt", &["machines"],
        "Idlegate no longer knows whether these were locked, because what it had stored is damaged or missing: \
         {machines}. So they are locked now. Look at each of them, then unlock it.",
        in shadow: same;
    LockoutsInDoubtOver = "lockouts-in-doubt-over", &["machines"],
        "Unlocked by hand after a doubt: {machines}. No lockout is in doubt any more.",
        in shadow: same;
    LockoutsSaved = "lockouts-saved", &[],
        "Idlegate's journal was damaged. Its lockouts were taken from their second copy and stay in force. Check the \
         disk.",
        in shadow: same;
    GuardedTwice = "guarded-twice", &["machines"],
        "{machines}: guarded by two Idlegates at once, and each may switch it. Give both the same rules, or stop one \
         of them.",
        in shadow: same;
    GuardedTwiceOver = "guarded-twice-over", &["machines"],
        "{machines}: guarded by one Idlegate again.",
        in shadow: same;
    NotUnderstood = "not-understood", &["input", "why"],
        "{input} {why}.",
        in shadow: same;
    EmergencyConnectionLost = "emergency-connection-lost", &["why"],
        "The connection that is kept for red buttons is down: {why}. They still work over the other one, but other \
         messages may delay them. Have somebody look at the broker.",
        in shadow: same;
    EmergencyConnectionBack = "emergency-connection-back", &[],
        "The connection that is kept for red buttons is up again.",
        in shadow: same;
    Flood = "flood", &["input", "sent", "heard"],
        "{input} sends {sent} messages a second; Idlegate hears {heard} of them. The other inputs are heard as ever. \
         Find out what is wrong with {input}.",
        in shadow: same;
    FloodOver = "flood-over", &["input", "unheard"],
        "{input} has calmed down. {unheard} of its messages were not heard.",
        in shadow: same;
}

impl Sentence {
    pub fn from_word(word: &str) -> Option<Sentence> {
        Sentence::ALL.iter().copied().find(|sentence| sentence.word() == word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::Announcement;

    #[test]
    fn every_sentence_fills_in_only_what_it_can() {
        for sentence in Sentence::ALL {
            for text in
                [Some(sentence.text()), sentence.of_several(), sentence.in_shadow()].into_iter().flatten()
            {
                for part in text.split('{').skip(1) {
                    let placeholder = part.split('}').next().unwrap_or_default();
                    let known =
                        sentence.placeholders().contains(&placeholder) || placeholder == "out_of_sight";
                    assert!(known, "{}: {placeholder}", sentence.word());
                }
            }
        }
    }

    #[test]
    fn every_announcement_has_a_sentence_of_its_word() {
        for word in Announcement::WORDS {
            assert!(Sentence::from_word(word).is_some(), "{word}");
        }
    }
}
