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
        key("title", Form::Text, "The workshop's name for people."),
        key(
            "prefix",
            Form::Prefix,
            "First topic levels of everything Idlegate publishes; \"idlegate\" unless set.",
        ),
        key("state_dir", Form::Text, "Absolute path of the folder for lockouts and the journal."),
        needed("broker", Form::Table(&BROKER), "The MQTT broker."),
        key("guard", Form::Table(&GUARD), "Guard settings for every machine that does not set its own."),
        key(
            "circuits",
            Form::Named(&Form::Table(&CIRCUIT)),
            "Branch circuits, by names of your own: outlets behind one breaker.",
        ),
        key("tariff", Form::Table(&TARIFF), "What energy costs, for the report."),
        key("monitoring", Form::Table(&MONITORING), "A page for monitors; there is none unless set."),
        key(
            "sites",
            Form::List(&Form::Name),
            "Halls or the like with a daemon each, started with --site; every machine then names its own.",
        ),
        key(
            "announcements",
            Form::Keyed(&SENTENCE_WORDS, &Form::Text),
            "Sentences that replace the built-in ones, by kind of announcement.",
        ),
    ],
};

static MONITORING: Shape = Shape {
    about: "Metrics (OpenMetrics) and health over HTTP, without a login: best on this computer only.",
    keys: &[needed(
        "listen",
        Form::Text,
        "Address and port, such as \"127.0.0.1:9464\"; /metrics and /health are there.",
    )],
};

static TARIFF: Shape = Shape {
    about: "What a kilowatt-hour costs, for the report. Nothing is decided by it.",
    keys: &[
        needed("currency", Form::Text, "As it is written behind a sum, such as \"EUR\" (ISO 4217)."),
        needed("per_kwh", Form::Number { min: 0.0, max: 1e6 }, "The price of a kilowatt-hour."),
        key("zone", Form::Text, "Time zone of the bands by its IANA name, such as \"Europe/Berlin\"."),
        key(
            "bands",
            Form::Named(&Form::Table(&TARIFF_BAND)),
            "Hours at another price, by names of your own; the first whose hours it is counts.",
        ),
    ],
};

static TARIFF_BAND: Shape = Shape {
    about: "Hours at another price.",
    keys: &[
        needed("per_kwh", Form::Number { min: 0.0, max: 1e6 }, "The price of a kilowatt-hour then."),
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
            "How much of the rating may be used for hours; 1 unless set. 0.8 is the practice for continuous loads in \
             the US (NEC 210.20: the breaker at 125 % of the load; clause from memory).",
        ),
    ],
};

static BROKER: Shape = Shape {
    about: "The MQTT broker.",
    keys: &[
        needed("host", Form::Text, "Host name or address."),
        key("port", PORT, "1883 unless set, 8883 with TLS."),
        key("client_id", Form::Text, "Our name at the broker; \"idlegate\" unless set."),
        key("user", Form::Text, "User name, if the broker wants one."),
        key("password", Form::Secret, "Where the password is kept; never the password itself."),
        key(
            "keep_alive",
            duration(Span::secs(5), Span::secs(600)),
            "A dead link is noticed after twice this; 10s unless set.",
        ),
        key("tls", Form::Table(&TLS), "Encrypts the link and proves the broker's identity."),
    ],
};

static TLS: Shape = Shape {
    about: "TLS towards the broker.",
    keys: &[
        needed("ca_file", Form::Text, "PEM file of the authorities to trust."),
        key("certificate_file", Form::Text, "PEM file of our own certificate, if the broker wants one."),
        key("key_file", Form::Text, "PEM file of the certificate's key."),
        key("server_name", Form::Text, "The name in the broker's certificate, where it differs from host."),
    ],
};

pub(crate) static GUARD: Shape = Shape {
    about: "How the guard decides.",
    keys: &[
        key(
            "window",
            duration(Span::secs(1), WINDOW_MAX),
            "How long force-off is accepted after a held request; 10s unless set.",
        ),
        key(
            "repeat_guard",
            duration(NONE, Span::secs(60)),
            "The same gesture again sooner than this is the same gesture; 2s unless set.",
        ),
        key(
            "force_not_before",
            duration(NONE, Span::secs(60)),
            "A force sooner than this after the gesture that opened the window belongs to it; 1s unless set.",
        ),
        key(
            "stuck_after",
            duration(Span::secs(5), HOUR),
            "A gesture that repeats for this long is a stuck button; 30s unless set.",
        ),
        key(
            "request_max_age",
            duration(Span(250), Span::secs(60)),
            "An older request is not acted on; 1s unless set.",
        ),
        key(
            "emergency_max_age",
            duration(Span::secs(60), DAY),
            "An emergency-off that waited longer than this is told and not obeyed; 15min unless set.",
        ),
        key(
            "fresh_within",
            duration(Span::secs(1), HOUR),
            "Older readings are refreshed before an off is decided; 15s unless set.",
        ),
        key(
            "refresh_wait",
            duration(Span(100), Span::secs(30)),
            "How long a request waits for fresh readings; 1s unless set.",
        ),
        key(
            "assess_wait",
            duration(Span(10), Span::secs(10)),
            "How long a request waits for the detectors; 250ms unless set.",
        ),
        key(
            "confirm_within",
            duration(Span::secs(1), Span::secs(120)),
            "The outlet must report an order's effect within this; 5s unless set.",
        ),
        key(
            "tries",
            Form::Count { min: 0, max: 10 },
            "How often an unconfirmed order is sent again; 3 unless set.",
        ),
        key(
            "residual_after",
            duration(Span::secs(1), HOUR),
            "How long the draw may take to fall after an off; 15s unless set.",
        ),
        key(
            "settle_for",
            duration(NONE, DAY),
            "A deferred off acts once the machine has been idle for this long; 10s unless set.",
        ),
        key(
            "notice",
            duration(NONE, HOUR),
            "How long people are warned before a deferred off acts; 30s unless set.",
        ),
        key(
            "deferral_max",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A deferred off that could not act for this long is given up; 1d unless set.",
        ),
        key(
            "forgotten_after",
            duration(Span::secs(60), Span::secs(30 * 86_400)),
            "A machine idle for this long is switched off by itself; never unless set.",
        ),
        key(
            "remote_on",
            Form::Switch,
            "Whether the machine may be switched on from afar; true unless set, false for a machine with hazards.",
        ),
        key(
            "shadow",
            Form::Switch,
            "Decide and record, but send nothing, emergencies excepted; false unless set.",
        ),
    ],
};

pub(crate) static MACHINE: Shape = Shape {
    about: "machines/<name>.toml: one machine; the file's name is the machine's name.",
    keys: &[
        key("title", Form::Text, "The machine's name for people; the file's name unless set."),
        needed("outlet", Form::Table(&OUTLET), "The remotely switched socket that feeds the machine."),
        key("signals", Form::Named(&Form::Table(&SIGNAL)), "Streams of readings, by names of your own."),
        key(
            "detectors",
            Form::List(&Form::Table(&DETECTOR)),
            "What tells busy from idle; all must say idle.",
        ),
        key("circuit", Form::Name, "The branch circuit of the shop that its outlet is on."),
        key(
            "site",
            Form::Name,
            "The site of the shop whose daemon guards it; needed where the shop has sites.",
        ),
        key(
            "peak_watts",
            Form::Number { min: 1.0, max: 100_000.0 },
            "The most the machine draws for longer than an instant; needed with circuit.",
        ),
        key(
            "hazards",
            Form::List(&Form::Word(&HAZARDS)),
            "What makes it dangerous to start unattended: then remote_on is false unless set here.",
        ),
        key("guard", Form::Table(&GUARD), "Guard settings of this machine."),
    ],
};

static OUTLET: Shape = Shape {
    about: "The outlet that feeds the machine.",
    keys: &[
        needed("state", Form::Table(&STATE), "Where the outlet reports whether it is on."),
        needed("order", Form::Table(&ORDER), "Where the outlet takes orders."),
        key("refresh", Form::Table(&REFRESH), "What asks the outlet or its meter for fresh readings."),
        key("reach", Form::Table(&REACH), "Where it is told whether the outlet can be reached."),
        key("power", Form::Name, "The signal that tells whether the machine still draws power when off."),
        key(
            "energy",
            Form::Name,
            "The signal with the meter's own energy counter, in J, Wh or kWh; else the draw is summed up.",
        ),
        key(
            "energy_wraps_at",
            Form::Number { min: 1.0, max: 1e18 },
            "After this value, in its unit, the counter begins anew at zero; any fall is a reset unless set.",
        ),
        key(
            "residual_watts",
            Form::Number { min: 0.0, max: 10_000.0 },
            "More than this after an off is \"still drawing power\"; 5 unless set.",
        ),
        key(
            "idle_watts",
            Form::Number { min: 0.0, max: 10_000.0 },
            "What the machine draws when idle, as it was measured; the check compares thresholds with it.",
        ),
    ],
};

const TOPIC: Key = needed("topic", Form::Filter, "Topic or topic filter it is read from.");
const POINTER: Key =
    key("pointer", Form::Pointer, "JSON Pointer (RFC 6901) to the value; the whole payload unless set.");
const SENML: Key = key("senml", Form::Text, "Name of the SenML record (RFC 8428) that holds the value.");

static STATE: Shape = Shape {
    about: "Where the outlet's state is read.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("on", Form::Payload, "The value that means on; \"on\" unless set."),
        key("off", Form::Payload, "The value that means off; \"off\" unless set."),
    ],
};

static REACH: Shape = Shape {
    about: "Where it is told whether the outlet can be reached.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("yes", Form::Payload, "The value that means it can be reached; \"yes\" unless set."),
        key("no", Form::Payload, "The value that means it cannot; \"no\" unless set."),
    ],
};

static ORDER: Shape = Shape {
    about: "Where the outlet takes orders.",
    keys: &[
        needed("topic", Form::Topic, "Topic the order is published to; never retained."),
        key("on", Form::Payload, "The payload that switches on; \"on\" unless set."),
        key("off", Form::Payload, "The payload that switches off; \"off\" unless set."),
        key(
            "expiry",
            duration(Span::secs(1), Span::secs(120)),
            "How long the broker may keep an undelivered order, in whole seconds; 2s unless set.",
        ),
    ],
};

static REFRESH: Shape = Shape {
    about: "What asks for fresh readings.",
    keys: &[
        needed("topic", Form::Topic, "Topic the question is published to."),
        key("payload", Form::Payload, "What to publish there; nothing unless set."),
    ],
};

pub(crate) static SIGNAL_KINDS: [&str; 2] = ["number", "text"];

static SIGNAL: Shape = Shape {
    about: "A stream of readings of one quantity.",
    keys: &[
        TOPIC,
        POINTER,
        SENML,
        key("kind", Form::Word(&SIGNAL_KINDS), "number or text; number unless set."),
        key("unit", Form::Unit, "Unit of the value after scaling, such as W, A, Cel."),
        key("scale", Form::Number { min: -1e9, max: 1e9 }, "reading = value × scale + offset; 1 unless set."),
        key(
            "offset",
            Form::Number { min: -1e9, max: 1e9 },
            "reading = value × scale + offset; 0 unless set.",
        ),
        key("plausible", Form::Range, "Readings outside are faults of the meter; by unit unless set."),
        key(
            "stale_after",
            duration(Span(500), DAY),
            "A reading older than this counts as missing; 30s unless set.",
        ),
        key(
            "sender_stores",
            Form::Switch,
            "The sender asks the broker to store every reading, so that flag does not mark an old one; false unless set.",
        ),
        key(
            "stuck_after",
            duration(Span::secs(1), DAY),
            "A meter that has read exactly the same for so long is taken to be stuck, which counts as busy. Only for \
             one that is never quite still, not even at an idle machine; not looked at unless set.",
        ),
    ],
};

pub(crate) static ROLES: [&str; 3] = ["hold", "advise", "permit-on"];
pub(crate) static HAZARDS: [&str; 3] = ["hot", "laser", "rotating"];

static DETECTOR: Shape = Shape {
    about: "One busy detector at work on the machine.",
    keys: &[
        key("use", Form::Detector, "Name of a detector that comes with Idlegate."),
        key(
            "file",
            Form::Text,
            "Or a detector of your own in the rules folder, such as \"detectors/laser.wasm\".",
        ),
        key("sha256", Form::Digest, "Pins the file's content: any other file is refused."),
        key("name", Form::Name, "Its name on this machine; the detector's own unless set."),
        key("settings", Form::Settings, "The detector's settings, checked against what it declares."),
        key(
            "signals",
            Form::Named(&Form::Name),
            "The detector's signal = the machine's signal; equal names unless set.",
        ),
        key(
            "role",
            Form::Word(&ROLES),
            "hold (power stays on until it says idle), advise, or permit-on (switched on from afar only while it \
             says idle); hold unless set.",
        ),
    ],
};

pub(crate) static INPUTS: Shape = Shape {
    about: "inputs.toml or inputs/*.toml: where requests come from.",
    keys: &[needed("inputs", Form::Named(&Form::Table(&INPUT)), "Inputs by names of your own.")],
};

pub(crate) static WHEN_BUSY: [&str; 2] = ["hold", "defer"];
pub(crate) static REQUESTS: [&str; 9] =
    ["on", "off", "flip", "force-off", "off-once-idle", "cancel", "lock", "unlock", "emergency-off"];

/// What the wall clock may ask for: nothing that cuts a job, and nothing that releases a lockout.
pub(crate) static SCHEDULED: [&str; 3] = ["on", "off", "off-once-idle"];

static SCHEDULE: Shape = Shape {
    about: "When the wall clock asks, and for what.",
    keys: &[
        needed(
            "cron",
            Form::Text,
            "Minute, hour, day of the month, month, day of the week, as in POSIX crontab: \"0 22 * * 1-5\".",
        ),
        needed("zone", Form::Text, "Time zone by its IANA name, such as \"Europe/Berlin\"."),
        needed("request", Form::Word(&SCHEDULED), "The request that is meant."),
        key(
            "make_up_missed",
            Form::Switch,
            "After downtime or a stepped clock, make up for the newest firing missed; false unless set.",
        ),
    ],
};

static INPUT: Shape = Shape {
    about: "A place that requests come from.",
    keys: &[
        key("title", Form::Text, "The input's name for people."),
        key("topic", Form::Filter, "Topic of a button or panel; our own request topic unless set."),
        key("schedule", Form::Table(&SCHEDULE), "Asks by the wall clock instead of by a topic."),
        POINTER,
        SENML,
        key(
            "sender_stores",
            Form::Switch,
            "The sender asks the broker to store every message, so that flag does not mark an old one; false unless set.",
        ),
        key("event_id", Form::Pointer, "JSON Pointer to an id of its own in each payload."),
        key(
            "machine",
            Form::Table(&NAMED_MACHINE),
            "Where the payload names the machine, as voice relays and panels do; every machine of the input unless set.",
        ),
        needed(
            "machines",
            Form::Either(&[Form::Word(&["all"]), Form::List(&Form::Name)]),
            "The machines it may ask about, or \"all\".",
        ),
        key(
            "when_busy",
            Form::Word(&WHEN_BUSY),
            "hold (somebody stands there) or defer (nobody waits); hold unless set, defer for a schedule or with machine.",
        ),
        key(
            "requests",
            Form::List(&Form::Word(&REQUESTS)),
            "What an input without a topic may ask for; whatever its rights permit unless set.",
        ),
        key(
            "hours",
            Form::Table(&HOURS),
            "When it may ask for on, off, flip, off-once-idle and unlock; always unless set.",
        ),
        key("may_force", Form::Switch, "May force a busy machine off inside the window; false unless set."),
        key("may_lock", Form::Switch, "May lock a machine against switching on; false unless set."),
        key("may_unlock", Form::Switch, "May release a lockout; false unless set."),
        key("emergency", Form::Switch, "Its emergency-off is obeyed, whatever the state; false unless set."),
        key(
            "gestures",
            Form::Named(&Form::Either(&[Form::Word(&REQUESTS), Form::Table(&GESTURE)])),
            "How it is used = the request that is meant.",
        ),
    ],
};

static NAMED_MACHINE: Shape = Shape {
    about: "How a payload names the machine. Upper and lower case and white space make no difference, nor do they then in \
            the words of gestures.",
    keys: &[
        POINTER,
        SENML,
        key(
            "aliases",
            Form::Named(&Form::List(&Form::Payload)),
            "Words that stand for a machine besides its name and title: mill = [\"the big mill\"].",
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
    about: "How an input is used, and what is meant by it.",
    keys: &[
        needed("request", Form::Word(&REQUESTS), "The request that is meant."),
        key(
            "words",
            Form::List(&Form::Payload),
            "The values that stand for it; the gesture's name unless set.",
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

const SPOKEN: &[&str] = &["machine", "reason", "input"];
const TIMED: &[&str] = &["machine", "reason", "input", "window"];
const REFUSAL: &[&str] = &["machine", "reason", "input", "request", "why"];
const INCIDENT: &[&str] = &["machine", "reason", "incident"];

/// Every sentence that the rules may replace, with the placeholders that it can fill.
pub const SENTENCES: [SentenceKind; 26] = [
    sentence("held", TIMED),
    sentence("held-no-force", SPOKEN),
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
    sentence("incident-over", INCIDENT),
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
