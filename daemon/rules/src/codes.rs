//! The kinds of problems, each with a stable code and an explanation for `check --explain CODE`.
//!
//! A code, once published, keeps its meaning: scripts and editors rely on it.

use std::fmt;

use super::problem::Severity;

macro_rules! codes {
    ($($variant:ident $word:literal $severity:ident $explanation:literal)*) => {
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code {
            $($variant,)*
        }

        impl Code {
            pub const ALL: &'static [Code] = &[$(Code::$variant,)*];

            pub const fn word(self) -> &'static str {
                match self {
                    $(Code::$variant => $word,)*
                }
            }

            /// How bad it is unless the circumstances say otherwise.
            pub const fn severity(self) -> Severity {
                match self {
                    $(Code::$variant => Severity::$severity,)*
                }
            }

            pub const fn explanation(self) -> &'static str {
                match self {
                    $(Code::$variant => $explanation,)*
                }
            }
        }
    };
}

codes! {
    NoFolder "no-folder" Error
        "The rules folder is missing, is not a folder or cannot be listed. A rules folder holds shop.toml, \
         machines/<name>.toml for every machine, and inputs.toml. `idlegate new-rules DIR` writes one to start from."
    MissingFile "missing-file" Error
        "A file that every rules folder needs is not there: shop.toml says where the broker is, and at least one file \
         in machines/ says what to guard."
    Unreadable "unreadable" Error
        "A file could not be read, is not a plain file, or is not UTF-8 text. Check its owner and mode: the account \
         that Idlegate runs under must be able to read it."
    TooLarge "too-large" Error
        "A rules file may be up to 256 KiB, a detector up to 32 MiB, and each folder may hold up to 2,048 of them. \
         Anything larger is almost certainly not a rules folder, and reading it would delay the guarding."
    OutsideFolder "outside-folder" Error
        "A link in the rules folder, or the path of a detector, leads out of the folder. Rules are checked, hashed \
         and watched as one folder, so everything they are made of must be inside it."
    BadFileName "bad-file-name" Error
        "The name of a machine's file is the name of the machine: 1 to 32 of the characters a-z, 0-9 and -. Such a \
         name is safe in a topic, in a file name and in a log line."
    UnreadFile "unread-file" Warning
        "This .toml file is somewhere Idlegate does not look. It reads shop.toml, inputs.toml, inputs/*.toml and \
         machines/*.toml."
    WritableByAll "writable-by-all" Warning
        "Every user of this computer can write to this file or folder, and so make rules under which any machine is switched \
         off. Only the people who look after the workshop should be able to: take the right away with chmod o-w."
    BadToml "bad-toml" Error
        "The file is not valid TOML (https://toml.io). Common causes: text without quotation marks, a key given \
         twice, a table opened twice."
    UnknownKey "unknown-key" Error
        "There is no such key here. Unknown keys are refused, because a misspelt key would otherwise go unnoticed and \
         leave its default in force."
    MissingKey "missing-key" Error
        "A key is missing here, and it has no default."
    WrongType "wrong-type" Error
        "The key takes another type of value: a number where text is expected, for example."
    BadName "bad-name" Error
        "The names of signals, inputs, gestures and detectors are 1 to 32 of the characters a-z, 0-9 and -. The name \
         that people read goes into `title`."
    UnknownWord "unknown-word" Error
        "The key takes one of a few words, and this is not one of them."
    BadDuration "bad-duration" Error
        "Durations are text with a unit: \"250ms\", \"10s\", \"3min\", \"1h 30min\", \"1d\". A bare number is \
         refused, because nobody could see whether it means seconds or minutes."
    OutOfRange "out-of-range" Error
        "The number or duration is not finite, or is outside the range that makes sense for this key."
    BadTopic "bad-topic" Error
        "This is not a topic as MQTT 5 section 4.7 defines it. In a filter, + stands for exactly one whole level, and \
         # for all remaining levels, at the end only. A topic to publish to cannot contain wildcards."
    OddTopic "odd-topic" Warning
        "A level of the topic begins or ends with white space. To a broker that is another topic, so nothing will be heard \
         there unless its sender writes it in the same way."
    BadPointer "bad-pointer" Error
        "This is not a JSON Pointer (RFC 6901). A pointer is empty or begins with /, as in \"/status/watts\". A ~ in \
         a name is written ~0, and a / is written ~1."
    UnknownUnit "unknown-unit" Error
        "Units are written as in the SenML units registry (RFC 8428, RFC 8798): W, kW, Wh, V, A, mA, Cel, %, %RH, Pa \
         … The unit is that of the value after scaling."
    ConflictingKeys "conflicting-keys" Error
        "Two keys cannot be used together, or one makes no sense without the other."
    UnknownName "unknown-name" Error
        "The rules refer to a signal, machine or detector that is not declared anywhere."
    DuplicateName "duplicate-name" Error
        "Two things of the same kind have the same name. Nobody could tell them apart in messages and in the journal."
    DuplicateWord "duplicate-word" Error
        "The same word in a payload stands for two gestures of one input, or for both on and off. Idlegate could not \
         tell which one is meant."
    MissingSignal "missing-signal" Error
        "A detector needs a signal that the machine does not have. Without it the detector would always say unknown, \
         and unknown counts as busy. Declare the signal, or name another one with signals = { theirs = \"ours\" }."
    WrongUnit "wrong-unit" Error
        "A detector expects its signal in a different unit from the machine's signal. Set `scale` (and `offset`) so \
         that the reading comes out in the expected unit, and set `unit` to that unit."
    WrongKind "wrong-kind" Error
        "A detector expects numbers where the signal carries text, or text where it carries numbers. Set the signal's \
         `kind`."
    BadSetting "bad-setting" Error
        "One of the settings is not what the detector asks for: it is missing, misspelt, or has a value that the \
         detector does not take. `idlegate detector inspect FILE` lists the settings of a detector."
    BadDetector "bad-detector" Error
        "The detector could not be loaded, or does not describe itself properly. `idlegate detector inspect FILE` \
         shows more."
    WrongDigest "wrong-digest" Error
        "The SHA-256 of the detector's file is not the one in the rules. Either somebody replaced the file, or the \
         rules were not updated along with it. Idlegate does not load the detector until the two agree."
    NotPermitted "not-permitted" Error
        "A gesture asks for something that its input is not allowed to do: emergency-off needs emergency = true, \
         force-off needs may_force = true, keep-on may_keep_on, lock and unlock may_lock and may_unlock, serviced \
         may_service."
    NoGestures "no-gestures" Error
        "An input with a topic needs gestures: they say which word in the payload stands for which request."
    BadCron "bad-cron" Error
        "A schedule's cron expression has the five fields of POSIX crontab: minute, hour, day of the month, month, \
         day of the week. If both the day of the month and the day of the week are restricted, either is enough. \
         Lists, ranges, steps such as */15 and three-letter English names are understood; seconds, years and \
         nicknames such as @daily are not. There must be at least one day on which it fires."
    OddCron "odd-cron" Warning
        "Where both the day of the month and the day of the week are given, a cron expression fires on each day that fits \
         either of them. With a step such as */2 beside a day of the week that is rarely what is meant, and other programs \
         read it in another way. `idlegate check DIR --next 5` shows the days."
    BadHours "bad-hours" Error
        "An input's hours are ranges of local time, each with or without days: \"07:00-22:00\", \"mon-fri \
         07:00-22:00\", \"sat,sun 9:00-18:00\". The end is not part of the range. \"22:00-06:00\" runs past midnight \
         and belongs to the day on which it begins. Whatever the hours, force-off, emergency-off, cancel and lock are \
         always accepted."
    UnknownZone "unknown-zone" Error
        "Time zones have the names of the IANA time zone database: Europe/Berlin, America/Santiago, UTC. An \
         abbreviation such as CET does not say when the clocks change."
    Timing "timing" Error
        "Two durations contradict each other. The window must be longer than repeat_guard and force_not_before \
         together, or no second press could ever count as a force. An order must expire within confirm_within, or it \
         could still switch the outlet after Idlegate has given it up."
    TopicClash "topic-clash" Error
        "With these topics Idlegate would hear its own messages, or one order would switch two machines: a state or \
         an input is read from a topic that orders are published to, two outlets share one order topic and one of its \
         payloads, or what Idlegate sends to ask for a reading or to order an outlet arrives somewhere else: at another outlet, \
         or on Idlegate's own topics. The sockets of a power strip may share their order topic if each has its own on and off."
    Wildcard "wildcard" Error
        "The state of an outlet and the readings of a signal come from one device. A topic with + or # hears every device that \
         fits it, and what an idle one says would count for a machine that works."
    AnswersClash "answers-clash" Error
        "Answers are published with Idlegate's own rights, on a topic that the asker chooses. So answers may only go \
         where nobody acts on them: not to a topic that the rules read, order or refresh, not to Idlegate's own topics, \
         not below $."
    NumberAsWord "number-as-word" Error
        "A word under values is already a number. The same text would then have two meanings: the number it is, and the \
         number it stands for. Only words can be listed; use scale and offset to change numbers."
    UnattendedOn "unattended-on" Error
        "The machine has hazards, so only somebody who stands beside it may switch it on. Its on_from may name no other place, \
         and there must be an input with place = \"beside\". If it is only ever switched on by hand at its outlet, set \
         on_from = [] in its [guard]."
    UnknownPlaceholder "unknown-placeholder" Error
        "A sentence contains a placeholder that this kind of announcement cannot fill in, or a brace that is not part \
         of a placeholder. A setting that no detector is given is only a warning: it would be spoken as it stands."
    SecretInClear "secret-in-clear" Error
        "A password is written in the rules as plain text. Rules are copied, shown and put under version control. Say \
         where the password is kept instead: { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }."
    SecretMissing "secret-missing" Error
        "The password is not where the rules say it is. An environment variable must be set for the service, a \
         credential is passed in by the service manager (LoadCredential=), a file must exist and be readable."
    MissingTlsFile "missing-tls-file" Warning
        "A file that the encrypted connection to the broker needs is not there. On the computer that guards, Idlegate cannot \
         connect without it."
    SecretExposed "secret-exposed" Error
        "Other users of this computer can read the file with the password. Make it private: chmod 600 FILE."
    NoSignOfLife "no-sign-of-life" Error
        "A meter that speaks only when its value changes may have lost its connection, or be working still: only a sign \
         of life tells. Name a topic on which the meter sends something regularly (alive), or let Idlegate ask it \
         (refresh). Without either, leave reports out: then every silence counts as busy."
    OtherDevice "other-device" Error
        "The reach of an outlet shows that a meter is there only if the two are one device. Their topics say otherwise: \
         they have no level in common, or only the first of several. Name a topic of the meter itself under alive."
    OnlyWatched "only-watched" Error
        "Idlegate has no way to switch a machine that it only watches. An emergency input with such a machine under machines would \
         make people believe that the red button cuts it. Take it out; or write its name under cannot_cut as well: then people are \
         told at each press that somebody must go there. A schedule for such a machine would be refused every time."
    NeverOff "never-off" Error
        "A machine with never_off stays on. An emergency input that is to cut it must say so, under cuts_never_off; else leave the \
         machine out of machines. A schedule that switches it off would be refused every time."
    Circle "circle" Error
        "Machines that hold one another could never be switched off, and machines that need one another could never be \
         switched on. A machine is held by those under its needed_by, and by those whose state one of its detectors with role \
         \"hold\" reads; it needs those under its needs_on. Its own state, \"this\", is for the roles warn and advise."
    TopicTwice "topic-twice" Warning
        "The same value of the same topic is declared twice. Often one was copied from the other and not changed."
    WatchedLeftOut "watched-left-out" Warning
        "This emergency input is for \"all\" machines, but one of them is only watched: pressing it does not switch that one off. \
         Whoever may press it must know that. With its name under cannot_cut, people are told at each press that somebody must \
         go there, and this warning goes."
    NobodyCanForce "nobody-can-force" Warning
        "No input may force this machine off. While its detectors say busy, or say nothing because a meter has \
         failed, nobody can switch it off through Idlegate. Give one input may_force = true and a force-off gesture."
    ForceUnreachable "force-unreachable" Warning
        "The input may force a machine off, but none of its gestures asks for force-off, so it never can."
    NoConfirm "no-confirm" Warning
        "From afar, a force-off must bring the token that stood in the answer to the held request. An input with a topic of \
         its own needs to say where the token is in its payload (confirm), and must ask with a response topic, or its force \
         is only ever held."
    NoDetectors "no-detectors" Warning
        "The machine has no detector that can say idle, so it always counts as busy: every off is held, and only \
         force-off or emergency-off gets through."
    ShortStaleness "short-staleness" Warning
        "The signal counts as missing after a very short silence. If readings come less often than that, the machine \
         keeps changing to unknown, which counts as busy."
    ShortDwell "short-dwell" Warning
        "The machine counts as idle after less time than may pass between two readings. A heater that switches on and \
         off could be taken for an idle machine between two readings of its meter. With a meter that speaks only when \
         its value changes, it could never be idle at all: its value is shown again every 5 s, which would be a gap."
    LowThreshold "low-threshold" Warning
        "The draw of the idle machine (idle_watts) is not below the level under which it counts as quiet. It would \
         always be busy, and only a force would ever switch it off."
    OddWindow "odd-window" Warning
        "The override window is so short that people will hardly manage to use it, or so long that a stray force is \
         likely to fall into it."
    NoNotice "no-notice" Warning
        "With a notice of 0, deferred offs, schedules and forgotten_after switch a machine off without any warning, \
         so nobody can cancel in time."
    NoTries "no-tries" Warning
        "With 0 tries, an order that gets lost on its way is not sent again: the machine stays as it is, and all that \
         people hear is that the outlet did not confirm."
    HotRemoteOn "hot-remote-on" Warning
        "The machine is dangerous to start with nobody beside it (it has hazards, or a detector that waits for it to \
         cool), and its rules allow just that. If you do not want this, set on_from = [\"beside\"] in its [guard]."
    LateView "late-view" Warning
        "The outlet cannot be asked for fresh readings, and its meter may stay silent for a long time before anybody \
         notices. A job that starts right after a reading is not seen until the next one. Add refresh to [outlet], or \
         have the meter report more often and shorten stale_after. If the meter speaks only when its value changes, set \
         reports = \"on-change\" and what shows that it is there."
    UnusedSignal "unused-signal" Warning
        "The signal is declared, but no detector reads it and the outlet does not use it."
    OpenMonitoring "open-monitoring" Warning
        "The pages for monitors and for people have no login and no encryption. Whoever reaches their address from one of the \
         hosts (from anywhere, if none are named), and whoever is on the network between, can see which machines are working and \
         when somebody is in the workshop. Listen on 127.0.0.1, and put a proxy with TLS and a login in front."
    OpenHandOver "open-hand-over" Warning
        "Daemons of several sites hand lockouts over to each other in messages that the broker keeps. Without a secret, \
         whoever may publish there can forge one and so release a lockout. Put a secret of at least 16 characters into a \
         credential, a private file or the environment of every daemon, and name it under [stand_by]."
    NoInputs "no-inputs" Warning
        "No input is declared for this machine, so nobody can ask Idlegate to switch it."
}

impl Code {
    pub fn from_word(word: &str) -> Option<Code> {
        Code::ALL.iter().copied().find(|code| code.word() == word)
    }
}

/// The explanation of a code, for `check --explain CODE`.
pub fn explain(code: &str) -> Option<&'static str> {
    Code::from_word(code).map(Code::explanation)
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_is_unique_and_explained() {
        for code in Code::ALL {
            assert_eq!(Code::from_word(code.word()), Some(*code));
            assert!(code.explanation().len() > 20, "{code}");
            assert!(!code.explanation().contains("  "), "{code}");
        }
        assert_eq!(explain("no-such-code"), None);
    }
}
