//! How meters say what they measure, and the rules that read it.

use idlegate_demo::workshop::Chance;

/// One way to say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meter {
    Plain,
    /// "118.2 W"
    WithUnit,
    /// "0.1182 kW" or "118.2 W", as it likes.
    MixedUnits,
    /// "118,2"
    Comma,
    /// A member of an object.
    Member,
    /// One of the sockets of a strip, all in one message.
    Socket,
    /// Eight readings in one message.
    Packs,
}

impl Meter {
    pub const ALL: [Meter; 7] = [
        Meter::Plain,
        Meter::WithUnit,
        Meter::MixedUnits,
        Meter::Comma,
        Meter::Member,
        Meter::Socket,
        Meter::Packs,
    ];

    pub fn any(chance: &mut Chance) -> Meter {
        let all = Meter::ALL.len() as u64;
        Meter::ALL[usize::try_from(chance.number() % all).unwrap_or_default()]
    }

    /// Keys of the signal, besides its topic.
    pub fn rules(self) -> &'static str {
        match self {
            Meter::Plain | Meter::WithUnit | Meter::MixedUnits => "unit = \"W\"",
            Meter::Comma => "unit = \"W\"\ndecimal = \",\"",
            Meter::Member => "unit = \"W\"\npointer = \"/draw/watts\"",
            Meter::Socket => "unit = \"W\"\npointer = \"/sockets/1/watts\"",
            Meter::Packs => "unit = \"W\"\nsenml = \"power\"",
        }
    }

    /// One reading that says this. For packs: a pack of one.
    pub fn says(self, watts: f64, chance: &mut Chance) -> String {
        match self {
            Meter::Plain => format!("{watts:.4}"),
            Meter::WithUnit => format!("{watts:.4} W"),
            Meter::MixedUnits if chance.happens(0.5) => format!("{:.7}kW", watts / 1_000.0),
            Meter::MixedUnits => format!(" {watts:.4} W\n"),
            Meter::Comma => format!("{watts:.4}").replace('.', ","),
            Meter::Member => {
                // Now and then it speaks of something else, and the draw is as it was.
                format!(r#"{{"draw":{{"watts":{watts:.4},"volts":230}},"state":"on"}}"#)
            }
            Meter::Socket => {
                // A neighbour whose draw says the opposite.
                let other = if watts > 100.0 { 3.0 } else { 800.0 };
                format!(r#"{{"sockets":[{{"watts":{other:.1}}},{{"watts":{watts:.4}}}]}}"#)
            }
            Meter::Packs => format!(r#"[{{"n":"power","u":"W","v":{watts:.4}}}]"#),
        }
    }

    /// A sound message that says nothing of the draw, if it has such.
    pub fn says_something_else(self) -> Option<&'static str> {
        match self {
            Meter::Plain | Meter::WithUnit | Meter::MixedUnits | Meter::Comma => None,
            Meter::Member => Some(r#"{"draw":{"volts":231},"state":"on"}"#),
            Meter::Socket => Some(r#"{"sockets":[{"watts":800.0}]}"#),
            Meter::Packs => Some(r#"[{"n":"voltage","u":"V","v":231}]"#),
        }
    }

    /// Readings with how long before the message each was taken, in seconds, in whatever order they stand.
    pub fn pack(readings: &[(f64, f64)]) -> String {
        let record = |(ago, watts): &(f64, f64)| match ago {
            0.0 => format!(r#"{{"n":"power","u":"W","v":{watts:.4}}}"#),
            ago => format!(r#"{{"n":"power","u":"W","t":-{ago:.3},"v":{watts:.4}}}"#),
        };
        format!("[{}]", readings.iter().map(record).collect::<Vec<_>>().join(","))
    }

    /// Something on its topic that nobody can read: which, is chance.
    pub fn babbles(self, chance: &mut Chance) -> Vec<u8> {
        let whole: [&[u8]; 12] = [
            b"overload",
            b"inf",
            b"NaN",
            b"",
            b"1,455.2",
            b"4 55",
            b"999999",
            b"12 VA",
            b"\xff\xfe12",
            b"\xef\xbb\xbf12",
            b"1e400",
            b"0x0c",
        ];
        let inside: [&[u8]; 8] = [
            br#"{"draw":{"watts":null}}"#,
            br#"{"draw":{"watts":3,"watts":455}}"#,
            br#"{"draw":{"watts":"overload"}}"#,
            br#"{"draw":"unknown"}"#,
            br#"{"draw":{"watts":3}"#,
            br#"{"draw":{"watts":[3]}}"#,
            br#"{"draw":{"watts":999999}}"#,
            br#"{"draw":{"watts":"455,2"}}"#,
        ];
        let packs: [&[u8]; 6] = [
            br#"[{"n":"power","u":"VA","v":3}]"#,
            br#"[{"n":"power","vs":"overload"},{"n":"power","t":-1,"v":3}]"#,
            br#"[{"n":"power","v":3},{"n":"power","t":-1,"v":999999}]"#,
            br#"[{"n":"power","v":3,"v":455}]"#,
            br#"[{"n":"power","v":3}"#,
            br#"[{"n":"power","t":1764000000,"v":3},{"n":"power","v":3}]"#,
        ];
        let one_of = |forms: &[&[u8]], number: u64| {
            let at = usize::try_from(number % forms.len() as u64).unwrap_or_default();
            forms[at].to_vec()
        };
        let number = chance.number();
        match self {
            Meter::Plain | Meter::WithUnit | Meter::MixedUnits => one_of(&whole, number),
            // The same with its own mark, where one of the others would be a number.
            Meter::Comma => one_of(&whole[..4], number),
            Meter::Member => one_of(&inside, number),
            Meter::Socket => {
                one_of(&[br#"{"sockets":[{"watts":3},{"watts":null}]}"#, br#"{"sockets":7}"#], number)
            }
            Meter::Packs => one_of(&packs, number),
        }
    }
}
