//! The detectors shipped inside the binary, so that a machine is guarded without a single file beside it.

/// By the name that rules use. They are loaded like anyone's: same checks, same limits.
const BUILT_IN: [(&str, &[u8]); 5] = [
    ("level", include_bytes!("../../../plugins/prebuilt/level.wasm")),
    ("machine-status", include_bytes!("../../../plugins/prebuilt/machine-status.wasm")),
    ("power-threshold", include_bytes!("../../../plugins/prebuilt/power-threshold.wasm")),
    ("temperature-decay", include_bytes!("../../../plugins/prebuilt/temperature-decay.wasm")),
    ("unusual-draw", include_bytes!("../../../plugins/prebuilt/unusual-draw.wasm")),
];

/// The file of a built-in detector.
pub fn built_in(name: &str) -> Option<&'static [u8]> {
    BUILT_IN.iter().find(|(known, _)| *known == name).map(|(_, file)| *file)
}

/// The names of all of them, for messages that say what there is.
pub fn built_in_names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Execution, Loader, Pin, Sandbox};

    #[test]
    fn every_built_in_detector_loads_and_bears_its_name() {
        let loader = Loader::new(Sandbox::new(Execution::Automatic).unwrap(), None);
        for name in built_in_names() {
            let module = loader.load(built_in(name).unwrap(), Pin::Ours).unwrap();
            assert_eq!(module.description().name.as_str(), name);
        }
        assert_eq!(built_in("no-such"), None);
    }
}
