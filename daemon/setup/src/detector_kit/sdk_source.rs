//! The SDK's source, so that a detector can be begun with nothing but the program and cargo.

use toml_edit::{DocumentMut, Item, Value};

macro_rules! sources {
    ($($path:literal),* $(,)?) => {
        /// Path within the SDK, and content; its manifest is made by [`manifest`].
        pub(super) const FILES: &[(&str, &str)] =
            &[$(($path, include_str!(concat!("../../../../sdk/", $path)))),*];
    };
}

sources![
    "CHANGELOG.md",
    "README.md",
    "src/assessment.rs",
    "src/description.rs",
    "src/detector.rs",
    "src/guest.rs",
    "src/last_words.rs",
    "src/latest.rs",
    "src/lib.rs",
    "src/reading.rs",
    "src/screen.rs",
    "src/settings.rs",
    "src/testing/csv.rs",
    "src/testing/guarded.rs",
    "src/testing/mod.rs",
    "src/testing/recording.rs",
    "src/testing/run.rs",
    "src/time.rs",
    "src/timing.rs",
    "src/words.rs",
    "wit/last-words/last-words.wit",
    "wit/v1/detector.wit",
];

const MANIFEST: &str = include_str!("../../../../sdk/Cargo.toml");
const WORKSPACE: &str = include_str!("../../../../Cargo.toml");

/// The SDK's manifest, with what it inherits from the workspace written out.
pub(super) fn manifest() -> String {
    let parse = |text: &str| text.parse::<DocumentMut>().expect("the manifests this program was built from");
    let (mut manifest, workspace) = (parse(MANIFEST), parse(WORKSPACE));
    let inherited = &workspace["workspace"];
    inherit(&mut manifest["package"], &inherited["package"]);
    inherit(&mut manifest["dependencies"], &inherited["dependencies"]);
    if let Some(targets) = manifest["target"].as_table_like_mut() {
        for (_, target) in targets.iter_mut() {
            inherit(&mut target["dependencies"], &inherited["dependencies"]);
        }
    }
    manifest.remove("lints");
    manifest.to_string()
}

/// Replaces every `workspace = true` by what the workspace says, and leaves what is said beside it.
fn inherit(table: &mut Item, from: &Item) {
    let Some(table) = table.as_table_like_mut() else { return };
    let keys: Vec<String> = table.iter().map(|(key, _)| key.to_owned()).collect();
    for key in keys {
        let Some(own) = table.get(&key).and_then(Item::as_table_like) else { continue };
        if own.get("workspace").is_none() {
            continue;
        }
        let mut whole = from[&key].clone();
        let beside = own.iter().filter(|(key, _)| *key != "workspace");
        let beside: Vec<(String, Item)> = beside.map(|(key, item)| (key.to_owned(), item.clone())).collect();
        if !beside.is_empty() {
            whole = as_inline(&whole);
            for (key, item) in beside {
                whole[key.as_str()] = item;
            }
        }
        table.insert(&key, plain(whole));
    }
}

/// `"1"` as `{ version = "1" }`.
fn as_inline(item: &Item) -> Item {
    match item.as_str() {
        Some(version) => {
            let mut table = toml_edit::InlineTable::new();
            table.insert("version", Value::from(version));
            Item::Value(Value::InlineTable(table))
        }
        None => item.clone(),
    }
}

/// Without the comments that stood around it where it came from.
fn plain(item: Item) -> Item {
    match item.into_value() {
        Ok(mut value) => {
            value.decor_mut().clear();
            Item::Value(value)
        }
        Err(item) => item,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    #[test]
    fn every_source_of_the_sdk_comes_along() {
        let sdk = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../sdk");
        let mut found = Vec::new();
        let mut folders = vec![sdk.clone()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).expect("the SDK's folder") {
                let path = entry.expect("an entry").path();
                if path.is_dir() {
                    folders.push(path);
                } else if !path.ends_with("Cargo.toml") {
                    found.push(path.strip_prefix(&sdk).expect("inside").to_string_lossy().into_owned());
                }
            }
        }
        found.sort();
        assert_eq!(found, FILES.iter().map(|(path, _)| *path).collect::<Vec<_>>());
    }

    #[test]
    fn the_manifest_stands_on_its_own() {
        let manifest = manifest();
        assert!(!manifest.contains("workspace"), "{manifest}");
        let parsed: toml::Table = manifest.parse().expect("TOML");
        assert_eq!(parsed["package"]["edition"].as_str(), Some("2024"));
        assert_eq!(parsed["dependencies"]["serde"]["features"][0].as_str(), Some("derive"));
        let flate2 = &parsed["target"]["cfg(not(target_arch = \"wasm32\"))"]["dependencies"]["flate2"];
        assert_eq!((flate2["version"].as_str(), flate2["optional"].as_bool()), (Some("1"), Some(true)));
    }
}
