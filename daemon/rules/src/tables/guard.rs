//! The keys of a `[guard]` table, of the shop or of one machine.

use super::inputs::PLACES;
use super::{DAY, HOUR, NONE, WINDOW_MAX};
use crate::defaults::{self, Fallback, POLICY};
use crate::form::{Form, TableForm, duration, key};
use idlegate_guard::Policy;
use idlegate_guard::time::Span;
use idlegate_plan::JOB_WORTH;

pub(super) static GUARD: TableForm = TableForm {
    about: "How the guard decides.",
    keys: &[
        key(
            "window",
            duration(Span::secs(1), WINDOW_MAX),
            "How long a force-off is accepted after a held request. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.window)]),
        key(
            "repeat_guard",
            duration(NONE, Span::secs(60)),
            "The same gesture repeated sooner than this counts as one gesture. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.repeat_guard)]),
        key(
            "force_not_before",
            duration(NONE, Span::secs(60)),
            "A force sooner than this after the gesture that opened the window counts as part of that gesture. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.force_not_before)]),
        key(
            "stuck_after",
            duration(Span::secs(5), HOUR),
            "A button that repeats a gesture for this long is taken to be stuck. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.stuck_after)]),
        key(
            "request_max_age",
            duration(Span(250), Span::secs(60)),
            "A request older than this is not acted on. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.request_max_age)]),
        key(
            "emergency_max_age",
            duration(Span::secs(60), DAY),
            "An emergency-off older than this is announced, but not acted on. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.emergency_max_age)]),
        key(
            "fresh_within",
            duration(Span::secs(1), HOUR),
            "If the readings are older than this, fresh ones are asked for before an off is decided. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.fresh_within)]),
        key(
            "refresh_wait",
            duration(Span(100), Span::secs(30)),
            "How long a request waits for fresh readings. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.refresh_wait)]),
        key(
            "assess_wait",
            duration(Span(10), Span::secs(10)),
            "How long a request waits for the detectors. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.assess_wait)]),
        key(
            "confirm_within",
            duration(Span::secs(1), Span::secs(120)),
            "How long the outlet has to report that it carried out an order. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.confirm_within)]),
        key(
            "tries",
            Form::Count { min: 0, max: 10 },
            "How many times an order is sent again if the outlet does not confirm it. Default: {}.",
        )
        .or(&[Fallback::Count(POLICY.tries as u16)]),
        key(
            "residual_after",
            duration(Span::secs(1), HOUR),
            "How long the draw may take to fall after an off. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.residual_after)]),
        key(
            "settle_for",
            duration(NONE, DAY),
            "A deferred off waits until the machine has been idle for this long. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.settle_for)]),
        key(
            "notice",
            duration(NONE, HOUR),
            "How long before a deferred off people are warned of it. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.notice)]),
        key(
            "deferral_max",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A deferred off that has had no chance for this long is given up. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.deferral_max)]),
        key(
            "keep_on_for",
            duration(Span::secs(60), Policy::KEEP_ON_MAX),
            "How long a machine is kept on for whoever does not say until when. Default: {}.",
        )
        .or(&[Fallback::Duration(POLICY.keep_on_for)]),
        key(
            "forgotten_after",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A machine that has been idle for this long is switched off automatically. Default: never.",
        ),
        key(
            "on_from",
            Form::List(&Form::Word(&PLACES)),
            "From where the machine may be switched on: beside, shop, remote. With [], only by hand at its outlet. Default: \
             from everywhere; a machine with hazards only from beside it.",
        ),
        key(
            "remote_on",
            Form::Gone(
                "say from where it may be switched on: on_from = [\"beside\", \"shop\"], or on_from = [] for never",
            ),
            "Replaced by on_from.",
        ),
        key(
            "hold_longer",
            Form::Switch,
            "After a machine went back to work within 15 min after it counted as idle, hold it longer than its detectors ask for, \
             until their settings are changed or resumptions_seen says that somebody has looked. Default: {}.",
        )
        .or(&[Fallback::Switch(defaults::HOLD_LONGER)]),
        key(
            "job_worth",
            duration(Span::secs(60), Span::secs(366 * 86_400)),
            "So long a wait is as bad as one spoiled job: the more a job is worth, the longer is the dwell that calibrate, \
             commission, report and checkup propose. Default: {}.",
        )
        .or(&[Fallback::Duration(JOB_WORTH)]),
        key(
            "drill_every",
            duration(DAY, Span::secs(3_660 * 86_400)),
            "After how long the drill is due again, besides after every change of the machine's outlet, detectors or rules: \
             \"180d\". status, report and checkup say so. Default: only after a change.",
        ),
        key(
            "resumptions_seen",
            Form::Text,
            "What was learned up to this time, such as 2026-11-25T08:30:00Z, no longer holds the machine.",
        ),
        key(
            "shadow",
            Form::Switch,
            "Decide and record, but send no orders except in an emergency. Default: {}.",
        )
        .or(&[Fallback::Switch(POLICY.shadow)]),
        key(
            "speak_in_shadow",
            Form::Switch,
            "In shadow mode, too, announce what would be done: \"Shadow: the mill would be off now.\" Otherwise it stands only in \
             answers, decisions, the log and the journal. Default: {}.",
        )
        .or(&[Fallback::Switch(defaults::SPEAK_IN_SHADOW)]),
    ],
};
