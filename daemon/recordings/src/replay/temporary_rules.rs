//! Rules for a quick look, where there is no folder of them: one machine, its signals, one detector.

use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use idlegate_os::files;
use idlegate_plan::event::Name;
use idlegate_rules::FILE_BYTES_MAX;

/// A rules folder that goes when this does.
#[derive(Debug)]
pub struct TemporaryRules {
    folder: TempDir,
}

/// A signal of the one machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TemporarySignal {
    pub name: Name,
    /// As in the SenML units registry; empty when any will do.
    pub unit: String,
    /// Words instead of numbers.
    pub text: bool,
}

/// The one detector.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TemporaryModule<'a> {
    BuiltIn(&'a str),
    /// And the SHA-256 it is pinned by.
    File(&'a Path, String),
}

const OWN_FILE: &str = "detectors/own.wasm";
/// What the detector itself says is asked for, not what a guard would learn from it.
const SHOP: &str = "title = \"Quick look\"\n[broker]\nhost = \"127.0.0.1\"\n[guard]\nhold_longer = false\n";

impl TemporaryRules {
    pub fn path(&self) -> PathBuf {
        self.folder.path().to_path_buf()
    }

    /// With the machine of this file, as it is.
    pub fn of_machine_file(file: &Path) -> io::Result<TemporaryRules> {
        let text = files::read_text(file, FILE_BYTES_MAX)?;
        let stem = file.file_stem().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        let name = Name::new(&stem).map_or("machine".to_owned(), |name| name.to_string());
        TemporaryRules::with(&name, &text)
    }

    /// A machine with these signals and one detector with its settings as an inline table.
    pub fn of_signals(
        signals: &[TemporarySignal],
        module: TemporaryModule<'_>,
        settings: &toml_edit::InlineTable,
    ) -> io::Result<TemporaryRules> {
        let mut text = "title = \"Machine\"\n[outlet]\nstate = { topic = \"replay/state\", on = \"on\", off = \"off\" }\norder = { topic = \"replay/order\", on = \"on\", off = \"off\" }\n".to_owned();
        for TemporarySignal { name, unit, text: is_text } in signals {
            text.push_str(&format!("[signals.{name}]\ntopic = \"replay/{name}\"\n"));
            if *is_text {
                text.push_str("kind = \"text\"\n");
            } else if !unit.is_empty() {
                text.push_str(&format!("unit = {}\n", toml_edit::Value::from(unit.as_str())));
            }
        }
        let which = match &module {
            TemporaryModule::BuiltIn(name) => format!("use = {}", toml_edit::Value::from(*name)),
            TemporaryModule::File(_, sha256) => format!("file = \"{OWN_FILE}\"\nsha256 = \"{sha256}\""),
        };
        text.push_str(&format!("[[detectors]]\n{which}\nsettings = {settings}\n"));
        let rules = TemporaryRules::with("machine", &text)?;
        if let TemporaryModule::File(file, _) = module {
            let place = rules.folder.path().join(OWN_FILE);
            std::fs::create_dir_all(place.parent().unwrap_or(rules.folder.path()))?;
            std::fs::copy(file, place)?;
        }
        Ok(rules)
    }

    fn with(name: &str, machine: &str) -> io::Result<TemporaryRules> {
        let folder = tempfile::Builder::new().prefix("idlegate-").tempdir()?;
        std::fs::create_dir(folder.path().join("machines"))?;
        std::fs::write(folder.path().join("shop.toml"), SHOP)?;
        std::fs::write(folder.path().join("machines").join(format!("{name}.toml")), machine)?;
        Ok(TemporaryRules { folder })
    }
}
