//! The crates of the daemon lie in layers, which the compiler holds once their manifests do. What could go wrong: what
//! is below comes to know what is above it, or what is pure comes to know the computer it runs on.

#![expect(clippy::unwrap_used, reason = "a test's own files")]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use toml::Table;

/// From the lowest to the highest: each knows nothing but those before it. The last is this crate.
const LAYERS: [&str; 16] = [
    "guard",
    "os",
    "plan",
    "engine",
    "messages",
    "pictures",
    "link",
    "rules",
    "detectors",
    "journal",
    "recordings",
    "service",
    "history",
    "setup",
    "demo",
    "",
];

/// What decides has no way to wait, to read a file or to ask what time it is.
const PURE: [&str; 4] = ["guard", "plan", "engine", "messages"];
const IMPURE: [&str; 8] =
    ["idlegate-os", "libc", "notify", "rumqttc", "rusqlite", "rustix", "tempfile", "tokio"];

fn manifest(layer: &str) -> Table {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(layer).join("Cargo.toml");
    fs::read_to_string(&file).unwrap_or_else(|why| panic!("{}: {why}", file.display())).parse().unwrap()
}

/// What it needs outside its tests.
fn known_to(layer: &str) -> BTreeSet<String> {
    manifest(layer).get("dependencies").unwrap().as_table().unwrap().keys().cloned().collect()
}

#[test]
fn every_crate_knows_only_those_below_it() {
    for (place, layer) in LAYERS.iter().enumerate() {
        for known in known_to(layer) {
            let Some(its) = known.strip_prefix("idlegate-").filter(|its| *its != "detector") else {
                continue;
            };
            let below = LAYERS.iter().take(place).any(|lower| *lower == its);
            assert!(below, "{layer} knows {its}, which does not lie below it");
        }
    }
}

#[test]
fn what_decides_knows_nothing_of_the_computer() {
    for layer in PURE {
        let known = known_to(layer);
        assert!(IMPURE.iter().all(|outside| !known.contains(*outside)), "{layer} knows {known:?}");
    }
    assert_eq!(known_to("guard").into_iter().collect::<Vec<_>>(), ["arrayvec"]);
}

#[test]
fn the_list_names_every_crate_that_is_there() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let crates = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
    let crates = crates.filter(|entry| entry.path().join("Cargo.toml").is_file());
    let there: BTreeSet<String> = crates.map(|entry| entry.file_name().into_string().unwrap()).collect();
    let listed = LAYERS.iter().filter(|layer| !layer.is_empty()).map(|&layer| layer.to_owned()).collect();
    assert_eq!(there, listed);
}
