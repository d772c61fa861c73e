//! The keys of a `[jobs]` table, of the shop or of one machine.

use super::{DAY, HOUR, NONE};
use crate::defaults::{Fallback, JOBS};
use crate::form::{Form, TableForm, duration, key};
use idlegate_guard::time::Span;

pub(crate) static TOLD: [&str; 3] = ["finished", "cut", "left-on"];

pub(super) static JOB_KEYS: TableForm = TableForm {
    about: "What counts as a job, and what people are told of it. No decision depends on it.",
    keys: &[
        key(
            "shortest",
            duration(NONE, HOUR),
            "Work that is over sooner than this is no job: the surge of a start, somebody's try. Default: {}.",
        )
        .or(&[Fallback::Duration(JOBS.shortest)]),
        key(
            "pause",
            duration(NONE, HOUR),
            "A job is over when its machine has been quiet for this long: as long as the longest pause within a job, or a little \
             longer. It says nothing about when the machine may be switched off. Default: until its detectors call it idle.",
        ),
        key(
            "announce",
            Form::List(&Form::Word(&TOLD)),
            "What is told: finished (and when the machine may then be switched off), cut (by somebody else, or for lack of power), \
             left-on. With [], nothing. Default: all of them.",
        ),
        key(
            "left_on_after",
            duration(Span::secs(60), Span(30 * DAY.0)),
            "A machine that has been on and idle for this long after its job was left on. Default: {}.",
        )
        .or(&[Fallback::Duration(JOBS.left_on_after)]),
    ],
};
