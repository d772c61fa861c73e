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
        "The rules folder is missing, is not a folder or cannot be listed. Rules are a folder that holds shop.toml, \
         machines/<name>.toml for every machine, and inputs.toml. `idlegate new-rules DIR` writes one to begin with."
    MissingFile "missing-file" Error
        "A file that every rules folder needs is not there: shop.toml names the broker, and at least one file in \
         machines/ says what is guarded."
    Unreadable "unreadable" Error
        "A file could not be read, is not a plain file, or is not UTF-8 text. Check its owner and mode: the account \
         that Idlegate runs under must be able to read it."
    TooLarge "too-large" Error
        "A rules file may have 256 KiB and a detector 8 MiB; the folder may hold 256 of each. More than that is \
         almost certainly not a rules folder, and reading it would delay the guarding."
    OutsideFolder "outside-folder" Error
        "A link in the rules folder, or a detector's path, leads out of the folder. Rules are checked, hashed and \
         watched as one folder, so everything they are made of must be in it."
    BadFileName "bad-file-name" Error
        "The name of a machine's file is the machine's name, and names are 1 to 32 of the characters a-z, 0-9 and -. \
         Such a name is safe as a topic level, a file name and a word in a log line."
    UnreadFile "unread-file" Warning
        "A .toml file stands where Idlegate does not look for one. It reads shop.toml, inputs.toml, inputs/*.toml \
         and machines/*.toml."
    BadToml "bad-toml" Error
        "The file is not valid TOML (https://toml.io). Common causes: a text without quotation marks, a key given \
         twice, a table opened twice."
    UnknownKey "unknown-key" Error
        "There is no such key here. Unknown keys are refused, because a misspelt one would silently leave its \
         default in force."
    MissingKey "missing-key" Error
        "A key that has no default is not there."
    WrongType "wrong-type" Error
        "The value is of another type than this key takes: a number where a text is expected, for example."
    BadName "bad-name" Error
        "Names of signals, inputs, gestures and detectors are 1 to 32 of the characters a-z, 0-9 and -. \
         What people read goes into `title`."
    UnknownWord "unknown-word" Error
        "The key takes one of a few words, and this is none of them."
    BadDuration "bad-duration" Error
        "Durations are texts with a unit: \"250ms\", \"10s\", \"3min\", \"1h 30min\", \"1d\". A bare number is refused, \
         because nobody can see whether seconds or minutes are meant."
    OutOfRange "out-of-range" Error
        "The number or duration is outside what makes sense for this key, or not finite."
    BadTopic "bad-topic" Error
        "Not a topic as MQTT 5 section 4.7 defines it. In a filter, + stands for exactly one whole level and # for \
         all remaining levels, at the end only. A topic that is published to has no wildcards."
    BadPointer "bad-pointer" Error
        "Not a JSON Pointer (RFC 6901). A pointer is empty or begins with /, as in \"/status/watts\"; a ~ in a name is \
         written ~0 and a / is written ~1."
    UnknownUnit "unknown-unit" Error
        "Units are written as in the SenML units registry (RFC 8428, RFC 8798): W, kW, Wh, V, A, mA, Cel, %, %RH, Pa … \
         The unit is that of the value after scaling."
    ConflictingKeys "conflicting-keys" Error
        "Two keys exclude each other, or one makes no sense without the other."
    UnknownName "unknown-name" Error
        "A signal, machine or detector is referred to that is not declared anywhere."
    DuplicateName "duplicate-name" Error
        "Two things of the same kind bear the same name. In messages and in the journal nobody could tell them apart."
    DuplicateWord "duplicate-word" Error
        "The same payload word stands for two gestures of one input, or for both on and off. Only one of them could \
         ever be meant."
    MissingSignal "missing-signal" Error
        "A detector needs a signal that the machine does not have. Without it the detector would say unknown for ever, \
         and unknown counts as busy. Declare the signal, or name another with signals = { theirs = \"ours\" }."
    WrongUnit "wrong-unit" Error
        "A detector expects its signal in another unit than the machine's signal has. Set `scale` (and `offset`) so \
         that the reading comes out in the expected unit, and name that unit."
    WrongKind "wrong-kind" Error
        "A detector expects numbers where the signal carries text, or text where it carries numbers. \
         Set the signal's `kind`."
    BadSetting "bad-setting" Error
        "A detector's setting does not fit what the detector itself declares about its settings."
    BadDetector "bad-detector" Error
        "The detector could not be loaded or does not describe itself properly. `idlegate detector inspect FILE` \
         tells more."
    WrongDigest "wrong-digest" Error
        "The detector's file is not the one whose SHA-256 stands in the rules. Somebody has replaced it, or the rules \
         were not updated with it. Until that is settled the detector is not loaded."
    NotPermitted "not-permitted" Error
        "A gesture asks for something that its input is not allowed to do: emergency-off needs emergency = true, \
         force-off needs may_force = true, lock and unlock need may_lock and may_unlock."
    NoGestures "no-gestures" Error
        "An input with a topic needs gestures: which word in the payload stands for which request."
    BadCron "bad-cron" Error
        "A schedule's cron expression has the five fields of POSIX crontab: minute, hour, day of the month, month, day of \
         the week. When both days are restricted, either is enough. Lists, ranges, steps such as */15 and three-letter \
         English names are understood; seconds, years and nicknames are not. It must be able to fire at all."
    BadHours "bad-hours" Error
        "An input's hours are ranges of local time, each with or without days: \"07:00-22:00\", \"mon-fri 07:00-22:00\", \
         \"sat,sun 9:00-18:00\". The end is not part of the range; \"22:00-06:00\" runs past midnight and belongs to the day on \
         which it begins. Hours never stand in the way of force-off, emergency-off, cancel and lock."
    UnknownZone "unknown-zone" Error
        "Time zones are named as in the IANA time zone database: Europe/Berlin, America/Santiago, UTC. An abbreviation \
         such as CET does not say when the clocks change."
    Timing "timing" Error
        "Two durations contradict each other. The window must be longer than repeat_guard and force_not_before \
         together, or a second deliberate force could never fall into it; an order must expire no later than \
         confirm_within, or it could take effect after it was given up."
    TopicClash "topic-clash" Error
        "A topic is used in a way that would make Idlegate hear itself or make one order switch two machines: \
         a state or input read from a topic that orders are published to, or one order topic for two outlets."
    UnknownPlaceholder "unknown-placeholder" Error
        "A sentence contains a placeholder that this kind of announcement cannot fill, or a brace that belongs to no \
         placeholder."
    SecretInClear "secret-in-clear" Error
        "A password stands in the rules as plain text. Rules are copied, shown and put under version control. Name \
         where it is kept instead: { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }."
    SecretMissing "secret-missing" Error
        "The password is not where the rules say. An environment variable must be set for the service, a credential \
         is passed by the service manager (LoadCredential=), a file must exist and be readable."
    SecretExposed "secret-exposed" Error
        "The file with the password can be read by others on this computer. Take their rights away: chmod 600 FILE."
    TopicTwice "topic-twice" Warning
        "The same value of the same topic is declared twice. Often one of them was copied and not adapted."
    NobodyCanForce "nobody-can-force" Warning
        "No input may force this machine off. While its detectors say busy, or say nothing because a meter has failed, \
         nobody can switch it off through Idlegate. Give one input may_force = true and a force-off gesture."
    ForceUnreachable "force-unreachable" Warning
        "The input may force, but none of its gestures asks for force-off, so that it never can."
    NoDetectors "no-detectors" Warning
        "The machine has no detector that can say idle, so that it counts as busy for ever: off is always held, and \
         only force-off or emergency-off gets through."
    ShortStaleness "short-staleness" Warning
        "The signal counts as missing after a very short silence. When readings come less often than that, the machine \
         keeps turning unknown, which counts as busy."
    ShortDwell "short-dwell" Warning
        "The machine counts as idle after less time than may pass between two readings. A heater that switches on and \
         off could be taken for an idle machine between two readings of its meter."
    LowThreshold "low-threshold" Warning
        "The machine's draw when idle, by idle_watts, is not below the level under which it counts as quiet. It would be \
         busy for ever, and power would never go off except by force."
    OddWindow "odd-window" Warning
        "The override window is so short that people can hardly use it, or so long that a stray force is likely to \
         fall into it."
    NoNotice "no-notice" Warning
        "With a notice of 0 a deferred off, a schedule and idle-off switch a machine off without saying so first, and nobody \
         can cancel in time."
    NoTries "no-tries" Warning
        "With 0 tries an order that a radio link loses is not repeated: the machine stays as it is, and people are only told \
         that the outlet did not confirm."
    HotRemoteOn "hot-remote-on" Warning
        "The machine is dangerous to start with nobody beside it (hazards, or a detector that waits for it to cool), \
         and its rules permit that. If that is not wanted, set remote_on = false in its [guard]."
    LateView "late-view" Warning
        "The outlet cannot be asked for fresh readings, and its meter may be silent for long before that is noticed: a \
         job that starts right after a reading is not seen until the next. Add refresh to [outlet], or let the \
         meter report more often and shorten stale_after."
    UnusedSignal "unused-signal" Warning
        "The signal is declared, but no detector reads it and the outlet does not use it."
    OpenMonitoring "open-monitoring" Warning
        "The page for monitors has no login and no encryption: who can reach its address reads which machines work and when \
         somebody is in the workshop. Listen on 127.0.0.1, with a proxy that asks for a login in front."
    NoInputs "no-inputs" Warning
        "No input is declared for this machine: nobody can ask Idlegate anything about it."
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
