//! Bugs put into the guard's surroundings on purpose, one at least for each claim, to show that the model can fail.

use crate::books::Claim;

/// A bug put in on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Plant {
    DoubtIsIdle,
    IgnoresUnseen,
    CautionForgotten,
    WorkIsCaution,
    CautionHoldsForce,
    ForceByAnybody,
    ObeysRefusedOn,
    LongWindow,
    AnswersTwice,
    NoSecondGesture,
    ForgetsLockout,
    ForgetsDeferral,
    CommandsNeverExpire,
    RestampsLate,
    OffNotSent,
    DeafToEmergency,
    NeverTicks,
    CircuitUncounted,
    CircuitOnTheWay,
    WindowEverywhere,
    NoTokenNeeded,
    GuestOpens,
    OnShutsAll,
    ContactUnseen,
    FoundSwitches,
    ForgetsKeepOn,
    StrangerTakesBack,
    ForgetsNeverOff,
}

impl Plant {
    pub(crate) const ALL: [Plant; 28] = [
        Plant::DoubtIsIdle,
        Plant::IgnoresUnseen,
        Plant::CautionForgotten,
        Plant::WorkIsCaution,
        Plant::CautionHoldsForce,
        Plant::ForceByAnybody,
        Plant::ObeysRefusedOn,
        Plant::LongWindow,
        Plant::AnswersTwice,
        Plant::NoSecondGesture,
        Plant::ForgetsLockout,
        Plant::ForgetsDeferral,
        Plant::CommandsNeverExpire,
        Plant::RestampsLate,
        Plant::OffNotSent,
        Plant::DeafToEmergency,
        Plant::NeverTicks,
        Plant::CircuitUncounted,
        Plant::CircuitOnTheWay,
        Plant::WindowEverywhere,
        Plant::NoTokenNeeded,
        Plant::GuestOpens,
        Plant::OnShutsAll,
        Plant::ContactUnseen,
        Plant::FoundSwitches,
        Plant::ForgetsKeepOn,
        Plant::StrangerTakesBack,
        Plant::ForgetsNeverOff,
    ];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Plant::DoubtIsIdle => "a stopped detector counts as idle",
            Plant::IgnoresUnseen => "readings not looked at are forgotten",
            Plant::CautionForgotten => "a machine that is held longer counts as idle",
            Plant::WorkIsCaution => "a working machine is forced as one only held longer",
            Plant::CautionHoldsForce => "what only caution holds is held against a force, too",
            Plant::ForceByAnybody => "everybody may force",
            Plant::ObeysRefusedOn => "an on refused for a lockout is sent all the same",
            Plant::LongWindow => "the window is open at its deadline",
            Plant::AnswersTwice => "a request delivered twice is answered twice",
            Plant::NoSecondGesture => "every force counts as the gesture that opened the window",
            Plant::ForgetsLockout => "a crash loses the lockout",
            Plant::ForgetsDeferral => "a crash loses the deferral",
            Plant::CommandsNeverExpire => "orders wait on their way for ever",
            Plant::RestampsLate => "a late verdict counts as new",
            Plant::OffNotSent => "an off is answered and not sent",
            Plant::DeafToEmergency => "an emergency is not heard",
            Plant::NeverTicks => "deadlines pass unnoticed",
            Plant::CircuitUncounted => "nobody counts what the circuit bears",
            Plant::CircuitOnTheWay => "a machine on its way to on is not counted",
            Plant::WindowEverywhere => "a window counts in every place",
            Plant::NoTokenNeeded => "a force from afar needs no token",
            Plant::GuestOpens => "an input that may not force opens a window",
            Plant::OnShutsAll => "an on by anybody closes everybody's window",
            Plant::ContactUnseen => "a contact that stays pushed in is forgotten",
            Plant::FoundSwitches => "a contact that is found pushed in switches off",
            Plant::ForgetsKeepOn => "a crash loses the word that it stays on",
            Plant::StrangerTakesBack => "everybody may take back that it stays on",
            Plant::ForgetsNeverOff => {
                "a machine that is never off, or cannot be switched, is treated like any other"
            }
        }
    }

    /// The claim that notices.
    pub(crate) const fn breaks(self) -> Claim {
        match self {
            Plant::DoubtIsIdle
            | Plant::IgnoresUnseen
            | Plant::CautionForgotten
            | Plant::ForceByAnybody
            | Plant::ForgetsKeepOn
            | Plant::StrangerTakesBack
            | Plant::ForgetsNeverOff => Claim::OffOnlyWhenClear,
            Plant::WorkIsCaution => Claim::WindowIsHalfOpen,
            Plant::ObeysRefusedOn => Claim::OnOnlyWhenAsked,
            Plant::LongWindow => Claim::WindowIsHalfOpen,
            Plant::AnswersTwice => Claim::OneAnswerEach,
            Plant::NoSecondGesture => Claim::TwoGestureWayOut,
            Plant::ForgetsLockout | Plant::ForgetsDeferral => Claim::KeptSurvives,
            Plant::CommandsNeverExpire => Claim::OffExpires,
            Plant::RestampsLate => Claim::NewerWins,
            Plant::OffNotSent | Plant::CautionHoldsForce | Plant::DeafToEmergency | Plant::NeverTicks => {
                Claim::DutiesAreDone
            }
            Plant::CircuitUncounted | Plant::CircuitOnTheWay => Claim::CircuitHolds,
            Plant::WindowEverywhere | Plant::NoTokenNeeded => Claim::ToldOnly,
            Plant::GuestOpens => Claim::WindowIsHalfOpen,
            Plant::OnShutsAll => Claim::NobodyShutOut,
            Plant::ContactUnseen | Plant::FoundSwitches => Claim::ContactHolds,
        }
    }
}
