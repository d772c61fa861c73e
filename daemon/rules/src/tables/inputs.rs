//! The keys of inputs.toml.

use super::{POINTER, SENML, WINDOW_MAX};
use crate::defaults::{self, Fallback};
use crate::form::{Form, TableForm, duration, key, needed};
use idlegate_guard::time::Span;

pub(crate) static INPUTS: TableForm = TableForm {
    about: "inputs.toml or inputs/*.toml: where requests come from.",
    keys: &[needed("inputs", Form::Named(&Form::Table(&INPUT)), "Inputs, under names of your own.")],
};

pub(super) static PLACES: [&str; 3] = ["beside", "shop", "remote"];
const WHEN_BUSY: [&str; 2] = ["hold", "defer"];
static REQUESTS: [&str; 11] = [
    "on",
    "off",
    "flip",
    "force-off",
    "off-once-idle",
    "cancel",
    "keep-on",
    "lock",
    "unlock",
    "serviced",
    "emergency-off",
];
/// What a gesture can stand for: it cannot say which service was done.
static GESTURES: [&str; 10] = [
    "on",
    "off",
    "flip",
    "force-off",
    "off-once-idle",
    "cancel",
    "keep-on",
    "lock",
    "unlock",
    "emergency-off",
];

/// What the wall clock may ask for: nothing that cuts a job, and nothing that releases a lockout.
static SCHEDULED: [&str; 3] = ["on", "off", "off-once-idle"];

static SCHEDULE: TableForm = TableForm {
    about: "What to ask for by the clock, and when.",
    keys: &[
        needed(
            "cron",
            Form::Text,
            "Minute, hour, day of the month, month, day of the week, as in POSIX crontab: \"0 22 * * 1-5\".",
        ),
        needed("zone", Form::Text, "Time zone by its IANA name, such as \"Europe/Berlin\"."),
        needed("request", Form::Word(&SCHEDULED), "What to ask for."),
        key(
            "make_up_missed",
            Form::Switch,
            "After downtime or a jump of the clock, make up for the last time that was missed. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
    ],
};

static INPUT: TableForm = TableForm {
    about: "A place that requests come from.",
    keys: &[
        key("title", Form::Text, "What people call the input."),
        key("topic", Form::Filter, "Topic of a button or panel. Default: Idlegate's own request topic."),
        key("schedule", Form::Table(&SCHEDULE), "Asks at set times instead of listening to a topic."),
        key(
            "contact",
            Form::Table(&CONTACT),
            "A contact with a position, such as a latching red button or a smoke contact, instead of a topic and gestures. \
             Only with emergency = true.",
        ),
        POINTER,
        SENML,
        key(
            "sender_stores",
            Form::Switch,
            "true for a sender that puts the retain flag on every message: those that come live then count. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key(
            "event_id",
            Form::Either(&[Form::Pointer, Form::Table(&EVENT_ID)]),
            "JSON Pointer to an id that is different in every message; as a table for one that is a counter.",
        ),
        key(
            "machine",
            Form::Table(&NAMED_MACHINE),
            "Where the payload names the machine or a group, as voice relays and panels do. Default: every machine of the input.",
        ),
        needed(
            "machines",
            Form::Either(&[Form::Word(&["all"]), Form::List(&Form::Name)]),
            "The machines it may ask about, or \"all\". Of an emergency input, of a schedule and of a button, \"all\" is all that \
             they can switch: none that is only watched, and for a schedule that switches off none with never_off.",
        ),
        key(
            "when_busy",
            Form::Word(&WHEN_BUSY),
            "What an off does while the machine is busy: hold (somebody stands there) or defer (nobody waits). \
             Default: {}; {} for a schedule, or with machine.",
        )
        .or(&[Fallback::Word(WHEN_BUSY[0]), Fallback::Word(WHEN_BUSY[1])]),
        key(
            "requests",
            Form::List(&Form::Word(&REQUESTS)),
            "What an input without a topic may ask for. Default: everything that its rights permit.",
        ),
        key(
            "hours",
            Form::Table(&HOURS),
            "When it may ask for on, off, flip, off-once-idle and unlock. Default: always.",
        ),
        key(
            "place",
            Form::Word(&PLACES),
            "Where the person is who uses it: beside the machine, in the shop, or remote. Default: {}; {} without a topic.",
        )
        .or(&[Fallback::Word(defaults::PLACE.word()), Fallback::Word(defaults::PLACE_WITHOUT_TOPIC.word())]),
        key(
            "window",
            duration(Span::secs(5), WINDOW_MAX),
            "How long a remote input has to confirm a force-off with the token in the held answer. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::REMOTE_WINDOW)]),
        key(
            "confirm",
            Form::Pointer,
            "JSON Pointer to that token in the payload, for a remote input with a topic.",
        ),
        key(
            "who",
            Form::Table(&WHO),
            "Where the payload says who asks. The name is recorded and shown; it gives nobody any right.",
        ),
        key(
            "answers",
            Form::List(&Form::Filter),
            "Topics on which it may have its answers (MQTT 5 response topics), besides PREFIX/answer/INPUT/#: \
             [\"panels/phone/#\"]. Default: none.",
        ),
        key(
            "silent_max",
            duration(Span::secs(10), Span::secs(400 * 86_400)),
            "Something comes from it at least this often if all is well: a sign of life, or its battery. People are told when \
             nothing has. Default: not checked.",
        ),
        key("battery", Form::Table(&BATTERY), "Where it says how its battery is. People are told when it is low."),
        key("may_force", Form::Switch, "May force a busy machine off inside the window. Default: {}.").or(&[Fallback::Switch(false)]),
        key(
            "may_keep_on",
            Form::Switch,
            "May say that a machine stays on although it looks idle (keep-on), and take that back. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key("may_lock", Form::Switch, "May lock a machine against switching on, and lift its own lock again. Default: {}.").or(&[Fallback::Switch(false)]),
        key(
            "may_unlock",
            Form::Switch,
            "May lift every lock, whoever put it there, and an emergency's. An input that may only lock lifts its own. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key("may_service", Form::Switch, "May say that a machine was serviced. Default: {}.").or(&[Fallback::Switch(false)]),
        key(
            "emergency",
            Form::Switch,
            "Its emergency-off is obeyed whatever the machine is doing. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key(
            "cannot_cut",
            Form::List(&Form::Name),
            "Machines that are only watched, and that its emergency-off cannot switch off, as everybody who may press it knows. \
             At each press people are told that somebody must go there.",
        ),
        key(
            "cuts_never_off",
            Form::List(&Form::Name),
            "Machines with never_off that its emergency-off cuts all the same.",
        ),
        key(
            "gestures",
            Form::Named(&Form::Either(&[Form::Word(&GESTURES), Form::Table(&GESTURE)])),
            "The gesture = the request it stands for.",
        ),
    ],
};

static EVENT_ID: TableForm = TableForm {
    about: "An id of the sender's own for each event, so that one delivered twice counts once.",
    keys: &[
        needed("pointer", Form::Pointer, "JSON Pointer (RFC 6901) to the id."),
        key(
            "counter",
            Form::Switch,
            "true for an id that counts up and starts again at 1 after a battery change: it is then remembered for two \
             minutes instead of a day. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
    ],
};

static BATTERY: TableForm = TableForm {
    about: "Where an input says how its battery is, in messages of their own.",
    keys: &[
        needed("topic", Form::Topic, "Topic of these messages. They may be retained."),
        POINTER,
        SENML,
        needed(
            "low",
            Form::Either(&[Form::Number { min: -1e9, max: 1e9 }, Form::Text]),
            "The battery is low at this number or less, such as 15 for percent; or the word that says so, such as \"low\".",
        ),
    ],
};

static CONTACT: TableForm = TableForm {
    about: "Where a contact says how it stands. Being pushed is an emergency-off; while it stays pushed, its machines are \
            neither switched on nor unlocked.",
    keys: &[
        needed("topic", Form::Topic, "Topic of this one contact. Have it keep its position there (retain)."),
        POINTER,
        SENML,
        key("pushed", Form::Payload, "The value that means pushed in. Default: {}.").or(&[Fallback::ItsName]),
        key("released", Form::Payload, "The value that means released. Default: {}.")
            .or(&[Fallback::ItsName]),
        key(
            "release_by",
            Form::List(&Form::Name),
            "Inputs that may release it when it has died: their unlock counts, although it still says that it is pushed in.",
        ),
    ],
};

static WHO: TableForm = TableForm { about: "How a payload says who asks.", keys: &[POINTER, SENML] };

static NAMED_MACHINE: TableForm = TableForm {
    about: "How a payload names the machine. Upper and lower case and white space make no difference, here and in the \
            words of the input's gestures.",
    keys: &[
        POINTER,
        SENML,
        key(
            "aliases",
            Form::Named(&Form::List(&Form::Payload)),
            "Other words for a machine, besides its name and title: mill = [\"the big mill\"].",
        ),
    ],
};

static HOURS: TableForm = TableForm {
    about: "The hours in which an input may ask.",
    keys: &[
        needed(
            "ranges",
            Form::List(&Form::Text),
            "Local times, with or without days: \"07:00-22:00\", \"mon-fri 07:00-22:00\", \"sat,sun 9:00-18:00\".",
        ),
        needed("zone", Form::Text, "Time zone by its IANA name, such as \"Europe/Berlin\"."),
    ],
};

static GESTURE: TableForm = TableForm {
    about: "One way to use an input, and the request it stands for.",
    keys: &[
        needed("request", Form::Word(&GESTURES), "The request it stands for."),
        key(
            "words",
            Form::List(&Form::Payload),
            "The payload values that stand for it. Default: the name of the gesture.",
        ),
    ],
};

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::RequestKind;

    #[test]
    fn the_words_here_are_the_guards_words() {
        assert_eq!(REQUESTS, RequestKind::ALL.map(RequestKind::word));
        assert!(GESTURES.iter().all(|word| REQUESTS.contains(word)));
    }
}
