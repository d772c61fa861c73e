//! What people are told of besides what a guard announces of its machine, and the incidents of one.

/// Each with its word, which is used in messages, and with whether it is told as an incident, which has an end, and
/// whether it is announced, to be heard near the machines.
macro_rules! subjects {
    ($($(#[$doc:meta])* $subject:ident = $word:literal, incident: $incident:literal, announced: $announced:literal;)*) => {
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Subject { $($(#[$doc])* $subject,)* }

        impl Subject {
            pub const ALL: &[Subject] = &[$(Subject::$subject,)*];

            pub const fn word(self) -> &'static str {
                match self { $(Subject::$subject => $word,)* }
            }

            pub const fn is_incident(self) -> bool {
                match self { $(Subject::$subject => $incident,)* }
            }

            pub const fn is_announced(self) -> bool {
                match self { $(Subject::$subject => $announced,)* }
            }
        }
    };
}

subjects! {
    /// Several at once.
    OutletsLost = "outlets-lost", incident: true, announced: false;
    /// A contact says neither that it is pushed nor that it is released.
    ContactUnclear = "contact-unclear", incident: true, announced: false;
    /// Somebody else sent an order to a guarded outlet.
    ForeignOrder = "order-by-another-route", incident: true, announced: false;
    /// It gives no answer.
    DetectorStopped = "detector-stopped", incident: true, announced: true;
    /// What a detector says that only warns.
    Warning = "warning", incident: true, announced: true;
    /// A machine that another one needs for its work is off.
    NeededMachineOff = "needed-machine-off", incident: true, announced: true;
    /// Something cannot be seen: see [`Blindness`](crate::Blindness).
    Blind = "blind", incident: true, announced: true;
    /// The broker delivers what has expired.
    LateBroker = "late-broker", incident: true, announced: false;
    LockoutsInDoubt = "lockouts-in-doubt", incident: true, announced: true;
    GuardedTwice = "guarded-twice", incident: true, announced: false;
    EmergencyConnectionLost = "emergency-connection-lost", incident: true, announced: false;
    /// An input sends more than it has a quota for.
    Flood = "flood", incident: true, announced: false;
    /// Somebody who names machines in words of their own.
    NotUnderstood = "not-understood", incident: false, announced: true;
    /// What became of a request to several machines at once.
    GroupAsked = "group-asked", incident: false, announced: true;
    RulesKeptOld = "rules-kept-old", incident: false, announced: true;
    /// Something is to be done to a machine again.
    ServiceDue = "service-due", incident: false, announced: true;
}
