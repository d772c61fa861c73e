//! The keys of a machine's file.

use super::guard::GUARD;
use super::jobs::JOB_KEYS;
use super::{DAY, NONE, POINTER, SENML, TOPIC};
use crate::defaults::{self, Fallback};
use crate::form::{Form, TableForm, duration, key, needed};
use idlegate_guard::time::Span;
use idlegate_plan::ServiceMeasure;

pub(crate) static MACHINE: TableForm = TableForm {
    about: "machines/<name>.toml: one machine. The name of the file is the name of the machine.",
    keys: &[
        key("title", Form::Text, "What people call the machine. Default: the name of the file."),
        key(
            "watched",
            Form::Switch,
            "true for a machine that Idlegate only watches: its outlet has a state, a meter or both, and takes no orders. It is \
             seen and told of like any other, and every request to switch it is refused, an emergency-off too. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key(
            "never_off",
            Form::Switch,
            "true for a machine that must stay on, such as a freezer or a server. Nobody can switch it off through Idlegate; it \
             can be switched on. An emergency input cuts it only where that says so (cuts_never_off). Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        needed("outlet", Form::Table(&OUTLET), "The remotely switched socket that feeds the machine."),
        key("signals", Form::Named(&Form::Table(&SIGNAL)), "Streams of readings, under names of your own."),
        key(
            "detectors",
            Form::List(&Form::Table(&DETECTOR)),
            "What tells busy from idle. The machine is idle once every one with role \"hold\" says so.",
        ),
        key(
            "needed_by",
            Form::Table(&NEEDED_BY),
            "Machines that need this one: it stays on while they work.",
        ),
        key(
            "needs_on",
            Form::List(&Form::Name),
            "Machines that must be on before this one can be switched on. If one goes off while this one works, people are \
             told. Nothing is switched on by itself.",
        ),
        key("circuit", Form::Name, "The branch circuit, from shop.toml, that feeds the outlet."),
        key("site", Form::Name, "The site whose daemon guards the machine. Required if the shop has sites."),
        key(
            "peak_watts",
            Form::Number { min: 1.0, max: 100_000.0 },
            "The most the machine draws for longer than an instant. Required with circuit.",
        ),
        key(
            "hazards",
            Form::List(&Form::Word(&HAZARDS)),
            "What makes the machine dangerous to start unattended. With any of these, it can be switched on \
             only from an input beside it.",
        ),
        key("guard", Form::Table(&GUARD), "Guard settings for this machine."),
        key(
            "service",
            Form::Named(&Form::Table(&SERVICE)),
            "What is to be done to the machine again and again, under names of your own: [service.lens].",
        ),
        key("jobs", Form::Table(&JOB_KEYS), "What counts as a job of this machine."),
    ],
};

static COUNTS: [&str; 4] = [
    ServiceMeasure::Busy.word(),
    ServiceMeasure::On.word(),
    ServiceMeasure::SwitchOns.word(),
    ServiceMeasure::Calendar.word(),
];

static SERVICE: TableForm = TableForm {
    about: "Something that is to be done to the machine again and again. People are told once when it is due; the request \
            serviced begins the count anew.",
    keys: &[
        key(
            "done",
            Form::Text,
            "What was done, as it is said to people: \"the lens was cleaned\". Default: the service with its name was done.",
        ),
        key(
            "every",
            duration(Span::secs(1), Span::secs(3_660 * 86_400)),
            "After how much of what counts it is due again: \"50h\", \"180d\". Required, but with counts = \"switch-ons\".",
        ),
        key(
            "times",
            Form::Count { min: 1, max: 10_000_000 },
            "With counts = \"switch-ons\": after how many it is due again.",
        ),
        key(
            "counts",
            Form::Word(&COUNTS),
            "busy (the time in which the machine counts as busy), on (the time in which its outlet is on), switch-ons, or \
             calendar (the time that goes by). Time in which the guard does not run or has no readings is not counted as \
             busy. Default: {}.",
        )
        .or(&[Fallback::Word(COUNTS[0])]),
    ],
};

static NEEDED_BY: TableForm = TableForm {
    about: "Machines that need this one. A force and an emergency pass all the same.",
    keys: &[
        needed(
            "machines",
            Form::List(&Form::Name),
            "While any of these is working or may be, this one stays on.",
        ),
        key(
            "run_on",
            duration(NONE, DAY),
            "How long it stays on after the last of them has stopped. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::RUN_ON)]),
        key(
            "may_remain",
            Form::Text,
            "What may remain if it is forced off while they need it, such as \"fumes\": people are then told so.",
        ),
    ],
};

const BY_HAND: [&str; 2] = ["incident", "expected"];

static OUTLET: TableForm = TableForm {
    about: "The outlet that feeds the machine.",
    keys: &[
        key(
            "state",
            Form::Table(&STATE),
            "Where the outlet reports whether it is on. Required, but with watched where there is a meter.",
        ),
        key("order", Form::Table(&ORDER), "Where the outlet takes orders. Required, but with watched."),
        key("refresh", Form::Table(&REFRESH), "How to ask the outlet or its meter for fresh readings."),
        key("reach", Form::Table(&REACH), "Where to read whether the outlet can be reached."),
        key("power", Form::Name, "The signal that shows whether the machine still draws power after an off."),
        key(
            "energy",
            Form::Name,
            "The signal with the meter's own energy counter, in J, Wh or kWh. Without it, Idlegate adds up the draw.",
        ),
        key(
            "energy_wraps_at",
            Form::Number { min: 1.0, max: 1e18 },
            "The value, in its own unit, after which the counter starts again at zero. Default: any fall counts as a reset.",
        ),
        key(
            "residual_watts",
            Form::Number { min: 0.0, max: 10_000.0 },
            "A draw above this after an off counts as \"still drawing power\". Default: {}.",
        )
        .or(&[Fallback::Number(defaults::RESIDUAL_WATTS)]),
        key(
            "switched_by_hand",
            Form::Word(&BY_HAND),
            "expected where people switch the machine on at its outlet's own button: that is then recorded and not reported. \
             Never while the machine is locked. Default: {}.",
        )
        .or(&[Fallback::Word(BY_HAND[0])]),
        key(
            "idle_watts",
            Form::Number { min: 0.0, max: 10_000.0 },
            "What the machine draws when idle, as measured. `idlegate check` compares the thresholds with it.",
        ),
    ],
};

static STATE: TableForm = TableForm {
    about: "Where the outlet reports whether it is on.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("on", Form::Payload, "The value that means on. Default: {}.").or(&[Fallback::ItsName]),
        key("off", Form::Payload, "The value that means off. Default: {}.").or(&[Fallback::ItsName]),
    ],
};

static REACH: TableForm = TableForm {
    about: "Where to read whether the outlet can be reached.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("yes", Form::Payload, "The value that means it can be reached. Default: {}.")
            .or(&[Fallback::ItsName]),
        key("no", Form::Payload, "The value that means it cannot be reached. Default: {}.")
            .or(&[Fallback::ItsName]),
    ],
};

static ORDER: TableForm = TableForm {
    about: "Where the outlet takes orders.",
    keys: &[
        needed("topic", Form::Topic, "Topic to publish orders to. They are never retained."),
        key("on", Form::Payload, "The payload that switches the outlet on. Default: {}.")
            .or(&[Fallback::ItsName]),
        key("off", Form::Payload, "The payload that switches the outlet off. Default: {}.")
            .or(&[Fallback::ItsName]),
        key(
            "expiry",
            duration(Span::secs(1), Span::secs(120)),
            "How long the broker may keep an order that it cannot deliver, in whole seconds. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::EXPIRY)]),
    ],
};

static REFRESH: TableForm = TableForm {
    about: "How to ask for fresh readings.",
    keys: &[
        needed("topic", Form::Topic, "Topic to publish the question to."),
        key("payload", Form::Payload, "What to publish there. Default: an empty payload."),
    ],
};

const SIGNAL_KINDS: [&str; 2] = ["number", "text"];
const DECIMALS: [&str; 2] = [".", ","];

static SIGNAL: TableForm = TableForm {
    about: "A stream of readings of one quantity, or the state of a machine.",
    keys: &[
        key(
            "topic",
            Form::Filter,
            "Topic to read it from, without wildcards: it must have one sender. Required, unless machine is given.",
        ),
        key(
            "machine",
            Form::Name,
            "Instead of a topic: a machine whose state it is, as text: busy, idle, unknown or off. \"this\" is the machine \
             itself, for detectors that warn or advise.",
        ),
        POINTER,
        SENML,
        key("kind", Form::Word(&SIGNAL_KINDS), "number or text. Default: {}.").or(&[Fallback::Word(SIGNAL_KINDS[0])]),
        key("unit", Form::Unit, "Unit of the value after scaling, such as W, A, Cel."),
        key("scale", Form::Number { min: -1e9, max: 1e9 }, "reading = value × scale + offset. Default: {}.").or(&[Fallback::Number(defaults::SCALE)]),
        key("offset", Form::Number { min: -1e9, max: 1e9 }, "reading = value × scale + offset. Default: {}.").or(&[Fallback::Number(defaults::OFFSET)]),
        key(
            "plausible",
            Form::Range,
            "Readings outside this range are faults of the meter. Default: by unit.",
        ),
        key(
            "decimal",
            Form::Word(&DECIMALS),
            "The decimal mark of a sender that writes its numbers as text: \",\" for one that writes 0,048; {} unless set.",
        )
        .or(&[Fallback::Text(DECIMALS[0])]),
        key(
            "values",
            Form::WordNumbers,
            "Words of the sender, true and false among them, and the reading that each stands for, such as \
             { open = 0, closed = 1 }; scale and offset are not applied to it.",
        ),
        key(
            "stale_after",
            duration(Span(500), DAY),
            "A reading older than this counts as missing. Default: {}, or three times every where the meter is asked.",
        )
        .or(&[Fallback::Duration(defaults::STALE_AFTER)]),
        key(
            "reports",
            Form::Word(&REPORTS),
            "on-change for a meter that speaks only when its value changes; it needs alive or refresh. Default: {}.",
        )
        .or(&[Fallback::Word(REPORTS[0])]),
        key(
            "alive",
            Form::Table(&ALIVE),
            "With reports = \"on-change\": what shows that the meter is there, so that its silence means no change.",
        ),
        key(
            "refresh",
            Form::Table(&POLLING),
            "With reports = \"on-change\": how to ask the meter for its value, again and again.",
        ),
        key(
            "sender_stores",
            Form::Switch,
            "true for a meter that sends every reading with the retain flag: those that come live then count. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key(
            "stuck_after",
            duration(Span::secs(1), DAY),
            "A meter that has read exactly the same for this long is taken to be stuck, which counts as busy. Only for \
             a meter that is never quite still, even while the machine is idle. Default: not checked.",
        ),
    ],
};

const REPORTS: [&str; 2] = ["steadily", "on-change"];

static ALIVE: TableForm = TableForm {
    about: "What shows that a meter is there while it says nothing. Only what comes live counts.",
    keys: &[
        key("topic", Form::Topic, "Topic on which the same meter sends something regularly."),
        POINTER,
        SENML,
        key("gone", Form::Payload, "The value there that means the meter is gone, as its last will may say."),
        key(
            "reach",
            Form::Switch,
            "true, instead of a topic, if the outlet and the meter are one device that repeats its reach.",
        ),
        key(
            "silent_max",
            duration(Span::secs(1), Span::secs(3_600)),
            "With no sign of life for this long, the meter is in doubt until it sends a value again. Three times the usual \
             time between two signs is a good start. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::SILENT_MAX)]),
        key(
            "sender_stores",
            Form::Switch,
            "true if these messages always have the retain flag: those that come live then count. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
    ],
};

static POLLING: TableForm = TableForm {
    about: "How to ask a meter for its value. Its answer is a reading like any other.",
    keys: &[
        needed("topic", Form::Topic, "Topic to publish the question to."),
        key("payload", Form::Payload, "What to publish there. Default: an empty payload."),
        key("every", duration(Span::secs(1), Span::secs(3_600)), "How often to ask. Default: {}.")
            .or(&[Fallback::Duration(defaults::ASK_EVERY)]),
    ],
};

static STAGES: [&str; 2] = ["work", "after"];
static ROLES: [&str; 4] = ["hold", "advise", "permit-on", "warn"];
static WATCHED: [&str; 5] = ["on", "off", "busy", "idle", "always"];
static HAZARDS: [&str; 3] = ["hot", "laser", "rotating"];

static DETECTOR: TableForm = TableForm {
    about: "One busy detector for the machine.",
    keys: &[
        key("use", Form::Detector, "Name of a detector that comes with Idlegate."),
        key(
            "file",
            Form::Text,
            "Or the file of your own detector in the rules folder, such as \"detectors/laser.wasm\".",
        ),
        key(
            "sha256",
            Form::Digest,
            "The SHA-256 of the file. Any other file is refused. A file pinned like this may be larger and take longer to \
             compile.",
        ),
        key("name", Form::Name, "Its name on this machine. Default: the name it gives itself."),
        key("settings", Form::Settings, "The detector's settings, checked against what it declares."),
        key(
            "signals",
            Form::Named(&Form::Name),
            "The detector's signal = the machine's signal. Default: the signal of the same name.",
        ),
        key(
            "role",
            Form::Word(&ROLES),
            "hold (power stays on until it says idle), advise (only shown), permit-on (the machine can be switched \
             on from a distance only while it says idle), or warn (people are told while it says busy, and nothing is held \
             or switched). Default: {}.",
        )
        .or(&[Fallback::Word(defaults::ROLE.word())]),
        key(
            "watch_while",
            Form::Word(&WATCHED),
            "With role = \"warn\": warn only while the machine is on, off, busy or idle. Default: {}.",
        )
        .or(&[Fallback::Word(defaults::WATCH.during.word())]),
        key(
            "lasting",
            duration(NONE, DAY),
            "With role = \"warn\": warn only once it has said busy for this long without a break. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::WATCH.lasting)]),
        key(
            "stage",
            Form::Word(&STAGES),
            "Which part of the machine's busy time it tells of: work, or after for what holds the machine when its job is done, such \
             as cooling or fumes. A job is finished when the work is. Default: {}.",
        )
        .or(&[Fallback::Word(defaults::STAGE.word())]),
    ],
};
