//! How a detector introduces itself.

/// What the values of a signal look like.
///
/// ```
/// use idlegate_detector::{Signal, ValueKind};
///
/// assert_eq!(Signal::number("power", "W", "what the meter reads").kind, ValueKind::Number);
/// assert_eq!(Signal::text("status", "the machine's own word").kind, ValueKind::Text);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ValueKind {
    /// A finite number in the signal's unit.
    Number,
    /// A word or a short piece of text.
    Text,
}

/// One signal a detector reads. Its place in [`Description::signals`] is its index in every reading.
///
/// ```
/// use idlegate_detector::Signal;
///
/// const SIGNALS: &[Signal] = &[
///     Signal::number("power", "W", "what the outlet's meter reads"),
///     Signal::text("status", "the machine's own status word").optional(),
/// ];
/// assert!(SIGNALS[0].needed && !SIGNALS[1].needed);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    /// Lower-case words joined by hyphens, for example "power".
    pub name: &'static str,
    /// Number or text.
    pub kind: ValueKind,
    /// The UCUM code of the unit: "W", "Cel", "A", "%". Empty for text and bare numbers.
    pub unit: &'static str,
    /// A needed signal that is stale or missing makes the assessment unknown, whatever the detector says.
    pub needed: bool,
    /// One sentence for the person who wires it up.
    pub purpose: &'static str,
}

impl Signal {
    /// A needed signal of numbers in a unit, given as its UCUM code.
    ///
    /// ```
    /// use idlegate_detector::Signal;
    ///
    /// let airflow = Signal::number("airflow", "m3/h", "what the extraction moves");
    /// assert!(airflow.needed && airflow.unit == "m3/h");
    /// ```
    pub const fn number(name: &'static str, unit: &'static str, purpose: &'static str) -> Self {
        Signal { name, kind: ValueKind::Number, unit, needed: true, purpose }
    }

    /// A needed signal of words.
    ///
    /// ```
    /// use idlegate_detector::Signal;
    ///
    /// let lid = Signal::text("lid", "open or closed");
    /// assert!(lid.needed && lid.unit.is_empty());
    /// ```
    pub const fn text(name: &'static str, purpose: &'static str) -> Self {
        Signal { name, kind: ValueKind::Text, unit: "", needed: true, purpose }
    }

    /// The same signal, but the detector can do without it.
    ///
    /// ```
    /// use idlegate_detector::Signal;
    ///
    /// assert!(!Signal::number("progress", "%", "how far the job is").optional().needed);
    /// ```
    #[must_use]
    pub const fn optional(mut self) -> Self {
        self.needed = false;
        self
    }
}

/// How a detector introduces itself. The schema of its settings comes from their type.
///
/// ```
/// use idlegate_detector::{Description, Signal};
///
/// const DESCRIPTION: Description = Description {
///     name: "laser-tube",
///     version: env!("CARGO_PKG_VERSION"),
///     purpose: "busy while the laser tube draws current",
///     signals: &[Signal::number("tube-current", "mA", "the current through the tube")],
/// };
/// assert_eq!(DESCRIPTION.signals[0].name, "tube-current");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Description {
    /// Lower-case words joined by hyphens, for example "power-threshold".
    pub name: &'static str,
    /// A semantic version, for example "1.2.0"; `env!("CARGO_PKG_VERSION")` is the crate's own.
    pub version: &'static str,
    /// One sentence: when does this detector call a machine busy?
    pub purpose: &'static str,
    /// The signals it reads, in the order of their index.
    pub signals: &'static [Signal],
}

impl Description {
    /// The index of the signal of this name, for a constant of your own. A name that is none of its signals does not compile
    /// there.
    ///
    /// ```
    /// use idlegate_detector::{Description, Signal};
    ///
    /// const DESCRIPTION: Description = Description {
    ///     name: "laser-tube",
    ///     version: "1.0.0",
    ///     purpose: "busy while the laser tube draws current",
    ///     signals: &[Signal::number("tube-current", "mA", ""), Signal::number("lid", "", "")],
    /// };
    /// const LID: u32 = DESCRIPTION.signal("lid");
    /// assert_eq!(LID, 1);
    /// ```
    ///
    /// # Panics
    /// When there is no such signal; in a constant that is an error of the compiler.
    pub const fn signal(&self, name: &str) -> u32 {
        let mut index = 0;
        while index < self.signals.len() {
            if equal(self.signals[index].name, name) {
                #[expect(clippy::cast_possible_truncation, reason = "a detector has a handful of signals")]
                return index as u32;
            }
            index += 1;
        }
        panic!("the detector has no signal of this name")
    }
}

/// `==` is not for constants yet.
const fn equal(one: &str, other: &str) -> bool {
    let (one, other) = (one.as_bytes(), other.as_bytes());
    let mut index = 0;
    while index < one.len() && index < other.len() && one[index] == other[index] {
        index += 1;
    }
    index == one.len() && index == other.len()
}
