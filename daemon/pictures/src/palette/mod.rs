//! The colours of everything that shows a state: on the terminal, in pictures and on the report's page.
//!
//! A colour only repeats what a word or a shape beside it says. Red, and whatever is near it, is for what is urgent: a
//! machine at work is nothing to be alarmed about. The tests say how well these can be seen, and by whom.

#[cfg(test)]
mod tests;
#[cfg(test)]
mod vision;

/// What a colour may stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ColourRole {
    Working,
    Idle,
    NotKnown,
    Off,
    /// A request that was not obeyed, and the window in which force is accepted.
    Held,
    /// An emergency or an incident.
    Urgent,
}

/// One role's colour on each ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tint {
    /// On [`LIGHT`], as CSS writes it.
    pub light: &'static str,
    /// On [`DARK`].
    pub dark: &'static str,
    /// Of xterm's 256 colours one of those above 15, which look the same everywhere; it can be seen on black and on
    /// white. None is the terminal's own colour of text.
    pub terminal: Option<u8>,
}

/// What the colours stand on, and what is written there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Paper {
    pub ground: &'static str,
    pub ink: &'static str,
    /// Text that may stand back.
    pub soft: &'static str,
    /// Lines that only help the eye along.
    pub rule: &'static str,
}

pub const LIGHT: Paper = Paper { ground: "#ffffff", ink: "#14181f", soft: "#5b6675", rule: "#d9dee5" };
pub const DARK: Paper = Paper { ground: "#141a22", ink: "#e8ecf2", soft: "#a3adba", rule: "#333c48" };

impl ColourRole {
    pub const ALL: [ColourRole; 6] = [
        ColourRole::Working,
        ColourRole::Idle,
        ColourRole::NotKnown,
        ColourRole::Off,
        ColourRole::Held,
        ColourRole::Urgent,
    ];

    pub const fn tint(self) -> Tint {
        match self {
            ColourRole::Working => Tint { light: "#3c60ff", dark: "#8f84ff", terminal: Some(62) },
            ColourRole::Idle => Tint { light: "#006078", dark: "#1a92aa", terminal: Some(31) },
            ColourRole::NotKnown => Tint { light: "#543c00", dark: "#f7d417", terminal: Some(136) },
            ColourRole::Off => Tint { light: "#7a8b8f", dark: "#a6a69b", terminal: None },
            ColourRole::Held => Tint { light: "#48249c", dark: "#fca8ff", terminal: Some(93) },
            ColourRole::Urgent => Tint { light: "#d62f47", dark: "#fc3c24", terminal: Some(197) },
        }
    }

    /// Its shape in a line of text, for those who see no colour there.
    pub const fn mark(self) -> &'static str {
        match self {
            ColourRole::Working => "\u{2588}",
            ColourRole::Idle => "\u{2581}",
            ColourRole::NotKnown => "\u{2591}",
            ColourRole::Off => "\u{b7}",
            ColourRole::Held => "\u{25c6}",
            ColourRole::Urgent => "!",
        }
    }
}

/// Whether whoever started this wants colours: <https://no-color.org>.
pub fn is_wanted() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}
