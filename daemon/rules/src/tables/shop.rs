//! The keys of shop.toml.

use super::HOUR;
use super::guard::GUARD;
use super::jobs::JOB_KEYS;
use crate::defaults::{self, Fallback};
use crate::form::{Form, TableForm, duration, key, needed};
use idlegate_guard::time::Span;
use idlegate_messages::effects::sentences::Sentence;

const PORT: Form = Form::Count { min: 1, max: 65_535 };

pub(crate) static SHOP: TableForm = TableForm {
    about: "shop.toml: the workshop as a whole.",
    keys: &[
        key("title", Form::Text, "What people call the workshop."),
        key(
            "prefix",
            Form::Prefix,
            "The first levels of every topic that Idlegate publishes to. Default: {}.",
        )
        .or(&[Fallback::Text(defaults::PREFIX)]),
        key(
            "state_dir",
            Form::Text,
            "Absolute path of the folder where the journal and the lockouts are kept. Default: beside the rules, for shop in \
             shop-state.",
        ),
        key(
            "keep_names",
            duration(HOUR, Span::secs(400 * 86_400)),
            "How long the journal keeps the names that inputs give with who; then they are blanked. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::KEEP_NAMES)]),
        key(
            "keep_readings",
            duration(HOUR, Span::secs(400 * 86_400)),
            "How long Idlegate keeps the readings of its machines in the state folder, for calibrate and replay with --last; never \
             more than 256 MiB. Default: it keeps none. Try 14d.",
        ),
        needed("broker", Form::Table(&BROKER), "The MQTT broker."),
        key("guard", Form::Table(&GUARD), "Guard settings for every machine that does not set its own."),
        key("jobs", Form::Table(&JOB_KEYS), "What counts as a job, for every machine that does not say so itself."),
        key(
            "circuits",
            Form::Named(&Form::Table(&CIRCUIT)),
            "Branch circuits (the outlets behind one breaker), under names of your own.",
        ),
        key(
            "groups",
            Form::Named(&Form::Table(&GROUP)),
            "Machines that are asked together, such as everything at night, under names of your own.",
        ),
        key("blind", Form::Table(&BLIND), "After how long people are told that Idlegate does not see a machine."),
        key("tariff", Form::Table(&TARIFF), "What energy costs, for the report."),
        key("stand_by", Form::Table(&STAND_BY), "What several daemons share."),
        key(
            "monitoring",
            Form::Table(&MONITORING),
            "Pages for monitors, and one for people. Default: there are none.",
        ),
        key(
            "detector_memory_mib",
            Form::Count { min: 16, max: 16_384 },
            "Memory in MiB for all your own detectors at work, together. One that finds none left counts as unknown, so its \
             machine as busy. Default: {}.",
        )
        .or(&[Fallback::Count(defaults::DETECTOR_MEMORY_MIB)]),
        key(
            "sites",
            Form::List(&Form::Name),
            "Halls or other places that each have their own daemon, started with --site. Every machine then names its site.",
        ),
        key(
            "announcements",
            Form::Keyed(Sentence::WORDS, &Form::Text),
            "Sentences that replace the built-in ones, by kind of announcement; in them {machine}, {reason}, {input}; of the \
             detector whose word counts {detector}, {signal}, {reading} (\"455 W\", or \"?\" where it is not known) and \
             each of its settings, such as {setting.busy_watts}; of a held or refused request {how} (how to force it off: \
             \"hold the button down\") and {window}; of a group {group} and {answer}.",
        ),
    ],
};

const LIMIT: Form = duration(Span::secs(1), Span::secs(86_400));

static BLIND: TableForm = TableForm {
    about: "After how long people are told, once, that Idlegate does not see a machine, and again when it does. No limit changes what \
            is held: what is not known counts as busy at once.",
    keys: &[
        key(
            "meter_silent",
            LIMIT,
            "Nothing from the meter of a machine that is not off. Never sooner than its stale_after or silent_max. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::BLIND.meter_silent)]),
        key(
            "meter_stuck",
            LIMIT,
            "A meter of a working machine reads exactly the same, to the last digit. Never sooner than four times as long as it \
             has done twice before. With stuck_after for the signal, that counts instead. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::BLIND.meter_stuck)]),
        key("outlet_unreachable", LIMIT, "The outlet's reach says no. Default: {}.")
            .or(&[Fallback::Duration(defaults::BLIND.outlet_unreachable)]),
        key("not_understood", LIMIT, "What a meter or an outlet sends cannot be read. Default: {}.")
            .or(&[Fallback::Duration(defaults::BLIND.not_understood)]),
    ],
};

static STAND_BY: TableForm = TableForm {
    about: "Several daemons, of which one takes over from another or gets a machine from it.",
    keys: &[key(
        "secret",
        Form::Secret,
        "Where the secret is kept by which a daemon knows that a lockout or deferral was left by another one with the same \
         rules; never the secret itself. Default: whatever the broker's access list lets in is believed.",
    )],
};

static MONITORING: TableForm = TableForm {
    about: "Metrics (OpenMetrics), health and a page for people over HTTP. There is no login and no encryption, so it is best kept \
            to this computer.",
    keys: &[
        needed(
            "listen",
            Form::Text,
            "Address and port, such as \"127.0.0.1:9464\". The pages there are /metrics and /health.",
        ),
        key(
            "page",
            Form::Switch,
            "Whether there is a page for people, too: open http://127.0.0.1:9464/ in a browser. It shows how every machine stands, \
             and nobody can ask for anything there. Default: {}.",
        )
        .or(&[Fallback::Switch(false)]),
        key(
            "hosts",
            Form::List(&Form::Text),
            "Who may read the pages from other computers and phones: their addresses, such as \"192.168.7.20\", or whole \
             networks, such as \"192.168.7.0/24\". Default: the page for people is for this computer alone, the others for \
             everybody who can reach them.",
        ),
        key(
            "names",
            Form::List(&Form::Text),
            "Host names by which monitors ask for the page, such as [\"shop-computer.lan\"]. Default: only addresses and \
             localhost. A web page that somebody opens on this computer could otherwise read it under a name of its own.",
        ),
    ],
};

static TARIFF: TableForm = TableForm {
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

static TARIFF_BAND: TableForm = TableForm {
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

static CIRCUIT: TableForm = TableForm {
    about: "Outlets behind one breaker. Local codes and the installation's own limits come first.",
    keys: &[
        needed("amperes", Form::Number { min: 0.1, max: 1_000.0 }, "The breaker's rating."),
        needed("volts", Form::Number { min: 1.0, max: 1_000.0 }, "The mains voltage, such as 230 or 120."),
        key(
            "continuous_share",
            Form::Number { min: 0.1, max: 1.0 },
            "How much of the rating may be in use for hours on end. Default: {}, all of it. 0.8 is usual for continuous \
             loads in the US (NEC 210.20: the breaker at 125 % of the load; clause from memory).",
        )
        .or(&[Fallback::Number(defaults::CONTINUOUS_SHARE)]),
    ],
};

static GROUP: TableForm = TableForm {
    about: "Machines that are asked together for off, off-once-idle or cancel. Each is judged by itself, and one that is busy goes off once \
            it is idle. A group is never forced off and never switched on.",
    keys: &[
        key("title", Form::Text, "What people call the group, to a voice relay as well. Default: its name."),
        needed(
            "machines",
            Form::Either(&[Form::Word(&["all"]), Form::List(&Form::Name)]),
            "Its machines, or \"all\": every one that is not only watched and not never_off.",
        ),
    ],
};

static BROKER: TableForm = TableForm {
    about: "The MQTT broker.",
    keys: &[
        needed("host", Form::Text, "Host name or address."),
        key("port", PORT, "Default: {}, or {} with TLS.")
            .or(&[Fallback::Count(defaults::PORT), Fallback::Count(defaults::PORT_WITH_TLS)]),
        key("client_id", Form::Text, "The client id that Idlegate uses at the broker. Default: {}.")
            .or(&[Fallback::Text(defaults::CLIENT_ID)]),
        key("user", Form::Text, "User name, if the broker asks for one."),
        key("password", Form::Secret, "Where the password is kept; never the password itself."),
        key(
            "keep_alive",
            duration(Span::secs(5), Span::secs(600)),
            "A dead connection is noticed after twice this time. Default: {}.",
        )
        .or(&[Fallback::Duration(defaults::KEEP_ALIVE)]),
        key(
            "probe",
            Form::Table(&PROBE),
            "A second login, with which Idlegate tries whether the broker throws away what has expired.",
        ),
        key("tls", Form::Table(&TLS), "Encrypts the connection and proves the broker's identity."),
        key(
            "emergency",
            Form::Table(&EMERGENCY_LOGIN),
            "A login of its own for the connection that is kept for emergencies. Default: the same login.",
        ),
    ],
};

static EMERGENCY_LOGIN: TableForm = TableForm {
    about: "The login of the connection that is kept for emergencies. It reads the topics of inputs with emergency = true and \
            publishes the orders of emergencies.",
    keys: &[
        needed("user", Form::Text, "User name."),
        needed("password", Form::Secret, "Where the password is kept; never the password itself."),
    ],
};

static PROBE: TableForm = TableForm {
    about: "A login for trying whether the broker heeds message expiry. It needs the right to read PREFIX/probe/expiry, and no other.",
    keys: &[
        needed(
            "user",
            Form::Text,
            "User name; not the one under [broker], which some brokers take for the client id.",
        ),
        needed("password", Form::Secret, "Where its password is kept; never the password itself."),
    ],
};

static TLS: TableForm = TableForm {
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
