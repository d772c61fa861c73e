//! The keys of every rules file: the one place where a key is added, described and bounded.

use super::shape::{Form, Key, Shape, duration, key, needed};
use crate::time::Span;

const HOUR: Span = Span::secs(3_600);
const DAY: Span = Span::secs(86_400);
const NONE: Span = Span::ZERO;
/// Nobody who pressed so long ago still stands there and means it.
pub(crate) const WINDOW_MAX: Span = Span::secs(300);

const PORT: Form = Form::Count { min: 1, max: 65_535 };

pub(crate) static SHOP: Shape = Shape {
    about: "shop.toml: the workshop as a whole.",
    keys: &[
        key("title", Form::Text, "What people call the workshop."),
        key(
            "prefix",
            Form::Prefix,
            "The first levels of every topic that Idlegate publishes to. Default: \"idlegate\".",
        ),
        key(
            "state_dir",
            Form::Text,
            "Absolute path of the folder where the journal and the lockouts are kept.",
        ),
        needed("broker", Form::Table(&BROKER), "The MQTT broker."),
        key("guard", Form::Table(&GUARD), "Guard settings for every machine that does not set its own."),
        key(
            "circuits",
            Form::Named(&Form::Table(&CIRCUIT)),
            "Branch circuits (the outlets behind one breaker), under names of your own.",
        ),
        key("tariff", Form::Table(&TARIFF), "What energy costs, for the report."),
        key("monitoring", Form::Table(&MONITORING), "A page for monitoring. Default: there is none."),
        key(
            "sites",
            Form::List(&Form::Name),
            "Halls or other places that each have their own daemon, started with --site. Every machine then names its site.",
        ),
        key(
            "announcements",
            Form::Keyed(&SENTENCE_WORDS, &Form::Text),
            "Sentences that replace the built-in ones, by kind of announcement; in them {machine}, {reason}, {input}; of the \
             detector whose word counts {detector}, {signal}, {reading} (\"455 W\", or \"?\" where it is not known) and \
             each of its settings, such as {setting.busy_watts}; of a held or refused request {how} (how to force it off: \
             \"hold the button down\") and {window}.",
        ),
    ],
};

static MONITORING: Shape = Shape {
    about: "Metrics (OpenMetrics) and health over HTTP. There is no login, so it is best kept to this computer.",
    keys: &[needed(
        "listen",
        Form::Text,
        "Address and port, such as \"127.0.0.1:9464\". The pages there are /metrics and /health.",
    )],
};

static TARIFF: Shape = Shape {
    about: "What a kilowatt-hour costs, for the report. No decision depends on it.",
    keys: &[
        needed(
            "currency",
            Form::Text,
            "The currency, as written after an amount, such as \"EUR\" (ISO 4217).",
        ),
        needed("per_kwh", Form::Number { min: 0.0, max: 1e6 }, "The price of a kilowatt-hour."),
        key("zone", Form::Text, "The bands' time zone by its IANA name, such as \"Europe/Berlin\"."),
        key(
            "bands",
            Form::Named(&Form::Table(&TARIFF_BAND)),
            "Hours with a different price, under names of your own. If two cover the same hour, the first one counts.",
        ),
    ],
};

static TARIFF_BAND: Shape = Shape {
    about: "Hours with a different price.",
    keys: &[
        needed(
            "per_kwh",
            Form::Number { min: 0.0, max: 1e6 },
            "The price of a kilowatt-hour in these hours.",
        ),
        needed(
            "ranges",
            Form::List(&Form::Text),
            "Local times, with or without days: \"22:00-06:00\", \"sat,sun 00:00-24:00\".",
        ),
    ],
};

static CIRCUIT: Shape = Shape {
    about: "Outlets behind one breaker. Local codes and the installation's own limits come first.",
    keys: &[
        needed("amperes", Form::Number { min: 0.1, max: 1_000.0 }, "The breaker's rating."),
        needed("volts", Form::Number { min: 1.0, max: 1_000.0 }, "The mains voltage, such as 230 or 120."),
        key(
            "continuous_share",
            Form::Number { min: 0.1, max: 1.0 },
            "How much of the rating may be in use for hours on end. Default: 1, all of it. 0.8 is usual for continuous \
             loads in the US (NEC 210.20: the breaker at 125 % of the load; clause from memory).",
        ),
    ],
};

static BROKER: Shape = Shape {
    about: "The MQTT broker.",
    keys: &[
        needed("host", Form::Text, "Host name or address."),
        key("port", PORT, "Default: 1883, or 8883 with TLS."),
        key(
            "client_id",
            Form::Text,
            "The client id that Idlegate uses at the broker. Default: \"idlegate\".",
        ),
        key("user", Form::Text, "User name, if the broker asks for one."),
        key("password", Form::Secret, "Where the password is kept; never the password itself."),
        key(
            "keep_alive",
            duration(Span::secs(5), Span::secs(600)),
            "A dead connection is noticed after twice this time. Default: 10s.",
        ),
        key("tls", Form::Table(&TLS), "Encrypts the connection and proves the broker's identity."),
    ],
};

static TLS: Shape = Shape {
    about: "TLS for the connection to the broker.",
    keys: &[
        needed("ca_file", Form::Text, "PEM file of the certificate authorities to trust."),
        key(
            "certificate_file",
            Form::Text,
            "PEM file of Idlegate's own certificate, if the broker asks for one.",
        ),
        key("key_file", Form::Text, "PEM file of that certificate's private key."),
        key("server_name", Form::Text, "The name in the broker's certificate, if it differs from host."),
    ],
};

pub(crate) static GUARD: Shape = Shape {
    about: "How the guard decides.",
    keys: &[
        key(
            "window",
            duration(Span::secs(1), WINDOW_MAX),
            "How long a force-off is accepted after a held request. Default: 10s.",
        ),
        key(
            "repeat_guard",
            duration(NONE, Span::secs(60)),
            "The same gesture repeated sooner than this counts as one gesture. Default: 2s.",
        ),
        key(
            "force_not_before",
            duration(NONE, Span::secs(60)),
            "A force sooner than this after the gesture that opened the window counts as part of that gesture. Default: 1s.",
        ),
        key(
            "stuck_after",
            duration(Span::secs(5), HOUR),
            "A button that repeats a gesture for this long is taken to be stuck. Default: 30s.",
        ),
        key(
            "request_max_age",
            duration(Span(250), Span::secs(60)),
            "A request older than this is not acted on. Default: 1s.",
        ),
        key(
            "emergency_max_age",
            duration(Span::secs(60), DAY),
            "An emergency-off older than this is announced, but not acted on. Default: 15min.",
        ),
        key(
            "fresh_within",
            duration(Span::secs(1), HOUR),
            "If the readings are older than this, fresh ones are asked for before an off is decided. Default: 15s.",
        ),
        key(
            "refresh_wait",
            duration(Span(100), Span::secs(30)),
            "How long a request waits for fresh readings. Default: 1s.",
        ),
        key(
            "assess_wait",
            duration(Span(10), Span::secs(10)),
            "How long a request waits for the detectors. Default: 250ms.",
        ),
        key(
            "confirm_within",
            duration(Span::secs(1), Span::secs(120)),
            "How long the outlet has to report that it carried out an order. Default: 5s.",
        ),
        key(
            "tries",
            Form::Count { min: 0, max: 10 },
            "How many times an order is sent again if the outlet does not confirm it. Default: 3.",
        ),
        key(
            "residual_after",
            duration(Span::secs(1), HOUR),
            "How long the draw may take to fall after an off. Default: 15s.",
        ),
        key(
            "settle_for",
            duration(NONE, DAY),
            "A deferred off waits until the machine has been idle for this long. Default: 10s.",
        ),
        key(
            "notice",
            duration(NONE, HOUR),
            "How long before a deferred off people are warned of it. Default: 30s.",
        ),
        key(
            "deferral_max",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A deferred off that has had no chance for this long is given up. Default: 1d.",
        ),
        key(
            "forgotten_after",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A machine that has been idle for this long is switched off automatically. Default: never.",
        ),
        key(
            "remote_on",
            Form::Switch,
            "Whether the machine may be switched on from a distance. Default: true, or false for a machine with hazards.",
        ),
        key(
            "shadow",
            Form::Switch,
            "Decide and record, but send no orders except in an emergency. Default: false.",
        ),
    ],
};

pub(crate) static MACHINE: Shape = Shape {
    about: "machines/<name>.toml: one machine. The name of the file is the name of the machine.",
    keys: &[
        key("title", Form::Text, "What people call the machine. Default: the name of the file."),
        needed("outlet", Form::Table(&OUTLET), "The remotely switched socket that feeds the machine."),
        key("signals", Form::Named(&Form::Table(&SIGNAL)), "Streams of readings, under names of your own."),
        key(
            "detectors",
            Form::List(&Form::Table(&DETECTOR)),
            "What tells busy from idle. The machine is idle once every one with role \"hold\" says so.",
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
            "What makes the machine dangerous to start unattended. With any of these, remote_on is false unless this \
             file sets it.",
        ),
        key("guard", Form::Table(&GUARD), "Guard settings for this machine."),
    ],
};

static OUTLET: Shape = Shape {
    about: "The outlet that feeds the machine.",
    keys: &[
        needed("state", Form::Table(&STATE), "Where the outlet reports whether it is on."),
        needed("order", Form::Table(&ORDER), "Where the outlet takes orders."),
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
            "A draw above this after an off counts as \"still drawing power\". Default: 5.",
        ),
        key(
            "idle_watts",
            Form::Number { min: 0.0, max: 10_000.0 },
            "What the machine draws when idle, as measured. `idlegate check` compares the thresholds with it.",
        ),
    ],
};

const TOPIC: Key = needed("topic", Form::Filter, "Topic or topic filter to read it from.");
const POINTER: Key =
    key("pointer", Form::Pointer, "JSON Pointer (RFC 6901) to the value. Default: the whole payload.");
const SENML: Key = key("senml", Form::Text, "Name of the SenML record (RFC 8428) that holds the value.");

static STATE: Shape = Shape {
    about: "Where the outlet reports whether it is on.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("on", Form::Payload, "The value that means on. Default: \"on\"."),
        key("off", Form::Payload, "The value that means off. Default: \"off\"."),
    ],
};

static REACH: Shape = Shape {
    about: "Where to read whether the outlet can be reached.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("yes", Form::Payload, "The value that means it can be reached. Default: \"yes\"."),
        key("no", Form::Payload, "The value that means it cannot be reached. Default: \"no\"."),
    ],
};

static ORDER: Shape = Shape {
    about: "Where the outlet takes orders.",
    keys: &[
        needed("topic", Form::Topic, "Topic to publish orders to. They are never retained."),
        key("on", Form::Payload, "The payload that switches the outlet on. Default: \"on\"."),
        key("off", Form::Payload, "The payload that switches the outlet off. Default: \"off\"."),
        key(
            "expiry",
            duration(Span::secs(1), Span::secs(120)),
            "How long the broker may keep an order that it cannot deliver, in whole seconds. Default: 2s.",
        ),
    ],
};

static REFRESH: Shape = Shape {
    about: "How to ask for fresh readings.",
    keys: &[
        needed("topic", Form::Topic, "Topic to publish the question to."),
        key("payload", Form::Payload, "What to publish there. Default: an empty payload."),
    ],
};

pub(crate) static SIGNAL_KINDS: [&str; 2] = ["number", "text"];
pub(crate) static DECIMALS: [&str; 2] = [".", ","];

static SIGNAL: Shape = Shape {
    about: "A stream of readings of one quantity.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("kind", Form::Word(&SIGNAL_KINDS), "number or text. Default: number."),
        key("unit", Form::Unit, "Unit of the value after scaling, such as W, A, Cel."),
        key("scale", Form::Number { min: -1e9, max: 1e9 }, "reading = value × scale + offset. Default: 1."),
        key("offset", Form::Number { min: -1e9, max: 1e9 }, "reading = value × scale + offset. Default: 0."),
        key(
            "plausible",
            Form::Range,
            "Readings outside this range are faults of the meter. Default: by unit.",
        ),
        key(
            "decimal",
            Form::Word(&DECIMALS),
            "The decimal mark of a sender that writes its numbers as text: \",\" for one that writes 0,048; \".\" unless set.",
        ),
        key(
            "values",
            Form::WordNumbers,
            "Words of the sender, true and false among them, and the reading that each stands for, such as \
             { open = 0, closed = 1 }; scale and offset are not applied to it.",
        ),
        key(
            "stale_after",
            duration(Span(500), DAY),
            "A reading older than this counts as missing. Default: 30s.",
        ),
        key(
            "sender_stores",
            Form::Switch,
            "true for a meter that sends every reading with the retain flag: those that come live then count. Default: false.",
        ),
        key(
            "stuck_after",
            duration(Span::secs(1), DAY),
            "A meter that has read exactly the same for this long is taken to be stuck, which counts as busy. Only for \
             a meter that is never quite still, even while the machine is idle. Default: not checked.",
        ),
    ],
};

pub(crate) static ROLES: [&str; 3] = ["hold", "advise", "permit-on"];
pub(crate) static HAZARDS: [&str; 3] = ["hot", "laser", "rotating"];

static DETECTOR: Shape = Shape {
    about: "One busy detector for the machine.",
    keys: &[
        key("use", Form::Detector, "Name of a detector that comes with Idlegate."),
        key(
            "file",
            Form::Text,
            "Or the file of your own detector in the rules folder, such as \"detectors/laser.wasm\".",
        ),
        key("sha256", Form::Digest, "The SHA-256 of the file. Any other file is refused."),
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
            "hold (power stays on until it says idle), advise (only shown), or permit-on (the machine can be switched \
             on from a distance only while it says idle). Default: hold.",
        ),
    ],
};

pub(crate) static INPUTS: Shape = Shape {
    about: "inputs.toml or inputs/*.toml: where requests come from.",
    keys: &[needed("inputs", Form::Named(&Form::Table(&INPUT)), "Inputs, under names of your own.")],
};

pub(crate) static WHEN_BUSY: [&str; 2] = ["hold", "defer"];
pub(crate) static REQUESTS: [&str; 9] =
    ["on", "off", "flip", "force-off", "off-once-idle", "cancel", "lock", "unlock", "emergency-off"];

/// What the wall clock may ask for: nothing that cuts a job, and nothing that releases a lockout.
pub(crate) static SCHEDULED: [&str; 3] = ["on", "off", "off-once-idle"];

static SCHEDULE: Shape = Shape {
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
            "After downtime or a jump of the clock, make up for the last time that was missed. Default: false.",
        ),
    ],
};

static INPUT: Shape = Shape {
    about: "A place that requests come from.",
    keys: &[
        key("title", Form::Text, "What people call the input."),
        key("topic", Form::Filter, "Topic of a button or panel. Default: Idlegate's own request topic."),
        key("schedule", Form::Table(&SCHEDULE), "Asks at set times instead of listening to a topic."),
        POINTER,
        SENML,
        key(
            "sender_stores",
            Form::Switch,
            "true for a sender that puts the retain flag on every message: those that come live then count. Default: false.",
        ),
        key("event_id", Form::Pointer, "JSON Pointer to an id that is different in every message."),
        key(
            "machine",
            Form::Table(&NAMED_MACHINE),
            "Where the payload names the machine, as voice relays and panels do. Default: every machine of the input.",
        ),
        needed(
            "machines",
            Form::Either(&[Form::Word(&["all"]), Form::List(&Form::Name)]),
            "The machines it may ask about, or \"all\".",
        ),
        key(
            "when_busy",
            Form::Word(&WHEN_BUSY),
            "What an off does while the machine is busy: hold (somebody stands there) or defer (nobody waits). \
             Default: hold; defer for a schedule, or with machine.",
        ),
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
        key("may_force", Form::Switch, "May force a busy machine off inside the window. Default: false."),
        key("may_lock", Form::Switch, "May lock a machine against switching on. Default: false."),
        key("may_unlock", Form::Switch, "May release a lockout. Default: false."),
        key(
            "emergency",
            Form::Switch,
            "Its emergency-off is obeyed whatever the machine is doing. Default: false.",
        ),
        key(
            "gestures",
            Form::Named(&Form::Either(&[Form::Word(&REQUESTS), Form::Table(&GESTURE)])),
            "The gesture = the request it stands for.",
        ),
    ],
};

static NAMED_MACHINE: Shape = Shape {
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

static HOURS: Shape = Shape {
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

static GESTURE: Shape = Shape {
    about: "One way to use an input, and the request it stands for.",
    keys: &[
        needed("request", Form::Word(&REQUESTS), "The request it stands for."),
        key(
            "words",
            Form::List(&Form::Payload),
            "The payload values that stand for it. Default: the name of the gesture.",
        ),
    ],
};

/// A kind of announcement whose sentence the rules may replace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SentenceKind {
    pub word: &'static str,
    /// What its sentence may contain in braces.
    pub placeholders: &'static [&'static str],
}

const fn sentence(word: &'static str, placeholders: &'static [&'static str]) -> SentenceKind {
    SentenceKind { word, placeholders }
}

const SPOKEN: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input"];
const TIMED: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "window"];
const HELD: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "window", "how"];
const TURNED_AWAY: &[&str] = &["machine", "reason", "reading", "signal", "detector", "input", "how"];
const REFUSAL: &[&str] =
    &["machine", "reason", "reading", "signal", "detector", "input", "how", "request", "denied", "why"];
const INCIDENT: &[&str] = &["machine", "reason", "reading", "signal", "detector"];

/// Every sentence that the rules may replace, with the placeholders that it can fill. Those that have a detector may name its
/// settings, too.
pub const SENTENCES: [SentenceKind; 31] = [
    sentence("held", HELD),
    sentence("held-unknown", HELD),
    sentence("held-no-force", TURNED_AWAY),
    sentence("window-over", SPOKEN),
    sentence("forced", SPOKEN),
    sentence("emergency-off", SPOKEN),
    sentence("locked", SPOKEN),
    sentence("unlocked", SPOKEN),
    sentence("refused", REFUSAL),
    sentence("emergency-ignored", SPOKEN),
    sentence("emergency-too-old", SPOKEN),
    sentence("deferred", SPOKEN),
    sentence("deferral-cancelled", SPOKEN),
    sentence("deferral-notice", TIMED),
    sentence("deferral-busy-again", SPOKEN),
    sentence("deferral-expired", SPOKEN),
    sentence("off-abandoned", SPOKEN),
    sentence("stuck-input", SPOKEN),
    sentence("on-by-another-route", INCIDENT),
    sentence("off-by-another-route", INCIDENT),
    sentence("off-by-another-route-urgent", INCIDENT),
    sentence("not-confirmed", INCIDENT),
    sentence("still-drawing", INCIDENT),
    sentence("on-by-another-route-over", INCIDENT),
    sentence("off-by-another-route-over", INCIDENT),
    sentence("not-confirmed-over", INCIDENT),
    sentence("not-confirmed-retried", INCIDENT),
    sentence("still-drawing-over", INCIDENT),
    sentence("outlets-lost", &["machines"]),
    sentence("outlets-back", &["machines"]),
    sentence("not-understood", &["input", "why"]),
];

static SENTENCE_WORDS: [&str; SENTENCES.len()] = {
    let mut words = [""; SENTENCES.len()];
    let mut at = 0;
    while at < words.len() {
        words[at] = SENTENCES[at].word;
        at += 1;
    }
    words
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::effects::sentences::BUILT_IN;
    use crate::guard::RequestKind;

    #[test]
    fn the_words_here_are_the_guards_words() {
        assert_eq!(REQUESTS, RequestKind::ALL.map(RequestKind::word));
    }

    #[test]
    fn every_built_in_sentence_can_be_replaced_with_the_placeholders_it_uses() {
        let words: Vec<&str> = BUILT_IN.iter().map(|(kind, _)| *kind).collect();
        assert_eq!(words, SENTENCE_WORDS);
        for ((kind, sentence), known) in BUILT_IN.iter().zip(SENTENCES) {
            for part in sentence.split('{').skip(1) {
                let placeholder = part.split('}').next().unwrap_or_default();
                assert!(known.placeholders.contains(&placeholder), "{kind}: {placeholder}");
            }
        }
    }
}
