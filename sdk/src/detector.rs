//! The one trait a detector implements, and the macro that exports it.

use crate::{Assessment, Description, Millis, Reading, SettingsError};

/// A busy detector: readings in, assessments out.
///
/// The crate's front page shows a whole one. Every detector should keep to this:
///
/// - **Doubt is not idle.** Say [`Verdict::Unknown`](crate::Verdict::Unknown) whenever you are not sure.
/// - **Only what you are shown.** There is no clock; the time is what the host passes to [`assess`](Detector::assess).
/// - **Bounded state.** A detector runs for months; keep no list that only grows.
/// - **Cheap.** Both calls are made for every reading, and each has a deadline.
pub trait Detector: Sized + 'static {
    /// The settings, as a person writes them in the rules. Keys that the type does not have are refused before
    /// [`new`](Detector::new) is called. Use [`Span`](crate::Span) for durations.
    type Settings: serde::de::DeserializeOwned + schemars::JsonSchema;

    /// How the detector introduces itself.
    const DESCRIPTION: Description;

    /// Makes a detector that has seen nothing yet.
    ///
    /// # Errors
    /// When settings of the right types do not fit together, for example a lower limit above an upper one.
    fn new(settings: Self::Settings) -> Result<Self, SettingsError>;

    /// Takes one reading. Readings of one signal come in the order they were taken; two may have the same time.
    /// Only signals from the description arrive, of the kind it names, and numbers are finite.
    fn observe(&mut self, reading: &Reading);

    /// Assesses the machine at the time `now`, which is never before the latest reading.
    fn assess(&mut self, now: Millis) -> Assessment;
}

/// Exports a type that implements [`Detector`](crate::Detector) as the detector of this crate.
///
/// Write it once, at the top level of a `cdylib` crate. It has an effect only on the `wasm32` target, so
/// `cargo test` links natively.
///
/// ```
/// # use idlegate_detector::*;
/// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
/// # struct Never;
/// # impl Detector for Never {
/// #     type Settings = NoSettings;
/// #     const DESCRIPTION: Description = Description { name: "never", version: "1.0.0", purpose: "never idle", signals: &[] };
/// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Never) }
/// #     fn observe(&mut self, _: &Reading) {}
/// #     fn assess(&mut self, _: Millis) -> Assessment { Assessment::unknown("always in doubt") }
/// # }
/// idlegate_detector::register!(Never);
/// # fn main() {}
/// ```
#[macro_export]
macro_rules! register {
    ($detector:ty) => {
        #[cfg(target_arch = "wasm32")]
        const _: () = {
            struct Registered;
            impl $crate::guest::Registration for Registered {
                type Detector = $detector;
            }
            type Exported = $crate::guest::Exported<Registered>;
    $crate::guest::bindings::export_detector!(Exported with_types_in $crate::guest::bindings);
        };
        // Natively it only checks that the type is a detector.
        #[cfg(not(target_arch = "wasm32"))]
        const _: fn() = || {
            fn is_a_detector<D: $crate::Detector>() {}
            is_a_detector::<$detector>();
        };
    };
}
