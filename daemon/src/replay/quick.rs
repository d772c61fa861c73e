//! Rules for a quick look, where there is no folder of them: one machine, its signals, one detector.

use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::event::Name;

/// A rules folder that goes when this does.
#[derive(Debug)]
pub struct QuickRules {
    folder: TempDir,
}

const SHOP: &str = "title = \"Quick look\"\n[broker]\nhost = \"127.0.0.1\"\n";

impl QuickRules {
    pub fn path(&self) -> PathBuf {
        self.folder.path().to_path_buf()
    }

    /// With the machine of this file, as it is.
    pub fn of_machine_file(file: &Path) -> io::Result<QuickRules> {
        let text = std::fs::read_to_string(file)?;
        let stem = file.file_stem().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        let name = Name::new(&stem).map_or("machine".to_owned(), |name| name.to_string());
        QuickRules::with(&name, &text)
    }

    /// A machine with these signals, name and unit each, and one detector with its settings as an inline table.
    pub fn of_signals(
        signals: &[(Name, String)],
        detector: &str,
        settings: &toml_edit::InlineTable,
    ) -> io::Result<QuickRules> {
        let mut text = "title = \"Machine\"\n[outlet]\nstate = { topic = \"replay/state\", on = \"on\", off = \"off\" }\ncommand = { topic = \"replay/command\", on = \"on\", off = \"off\" }\n".to_owned();
        for (name, unit) in signals {
            let unit = toml_edit::Value::from(unit.as_str());
            text.push_str(&format!("[signals.{name}]\ntopic = \"replay/{name}\"\nunit = {unit}\n"));
        }
        let detector = toml_edit::Value::from(detector);
        text.push_str(&format!("[[detectors]]\nuse = {detector}\nsettings = {settings}\n"));
        QuickRules::with("machine", &text)
    }

    fn with(name: &str, machine: &str) -> io::Result<QuickRules> {
        let folder = tempfile::Builder::new().prefix("idlegate-").tempdir()?;
        std::fs::create_dir(folder.path().join("machines"))?;
        std::fs::write(folder.path().join("shop.toml"), SHOP)?;
        std::fs::write(folder.path().join("machines").join(format!("{name}.toml")), machine)?;
        Ok(QuickRules { folder })
    }
}
