//! Bugs put into the guard's surroundings on purpose, one at least for each claim, to show that the model can fail.

use crate::books::Claim;

/// A bug put in on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Plant {
    DoubtIsIdle,
    IgnoresUnseen,
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
}

impl Plant {
    pub(crate) const ALL: [Plant; 16] = [
        Plant::DoubtIsIdle,
        Plant::IgnoresUnseen,
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
    ];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Plant::DoubtIsIdle => "a stopped detector counts as idle",
            Plant::IgnoresUnseen => "readings not looked at are forgotten",
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
        }
    }

    /// The claim that notices.
    pub(crate) const fn breaks(self) -> Claim {
        match self {
            Plant::DoubtIsIdle | Plant::IgnoresUnseen | Plant::ForceByAnybody => Claim::OffOnlyWhenClear,
            Plant::ObeysRefusedOn => Claim::OnOnlyWhenAsked,
            Plant::LongWindow => Claim::WindowIsHalfOpen,
            Plant::AnswersTwice => Claim::OneAnswerEach,
            Plant::NoSecondGesture => Claim::TwoGestureWayOut,
            Plant::ForgetsLockout | Plant::ForgetsDeferral => Claim::KeptSurvives,
            Plant::CommandsNeverExpire => Claim::OffExpires,
            Plant::RestampsLate => Claim::NewerWins,
            Plant::OffNotSent | Plant::DeafToEmergency | Plant::NeverTicks => Claim::DutiesAreDone,
            Plant::CircuitUncounted | Plant::CircuitOnTheWay => Claim::CircuitHolds,
        }
    }
}
