//! A look at a detector's file: what it is, what it says of itself, and why it would be refused.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use idlegate_detectors::limits::FileSize;
use idlegate_detectors::{
    CONTRACT_VERSION, Description, Execution, FileKind, LoadError, Loader, Pin, Sandbox, SandboxError,
    Screening, ValueKind,
};
use idlegate_os::files;
use idlegate_plan::text::{counted, hex};
use idlegate_rules::is_duration;

/// What can be said of one file.
#[derive(Debug)]
pub struct Look {
    file: String,
    sha256: String,
    outline: Option<Screening>,
    said: Result<Description, LoadError>,
    /// It is too big to be taken unless the rules pin it.
    needs_pin: bool,
}

impl Look {
    /// Reads the file, and, unless it is refused before, loads it in the sandbox and lets it introduce itself.
    pub fn at(path: &Path) -> Result<Look, SandboxError> {
        let loader = Loader::new(Sandbox::new(Execution::Automatic)?, None);
        // A file too long to be loaded, or none at all, is not read for the sake of its digest.
        let file = files::read_bytes(path, FileSize::LARGE.bytes_max as u64).unwrap_or_default();
        let sha256 = digest(&file);
        let introduced =
            |pin: Pin<'_>| loader.load_file(path, pin).map(|module| module.description().clone());
        let plain = introduced(Pin::None);
        // Where only its size stands against it, what it is when pinned is what counts.
        let too_big = plain.as_ref().is_err_and(LoadError::is_about_size);
        let said = if too_big { introduced(Pin::ByRules(&sha256)) } else { plain };
        let needs_pin = too_big && said.is_ok();
        Ok(Look {
            file: path.display().to_string(),
            outline: Screening::of(&file, FileSize::LARGE).ok(),
            said,
            needs_pin,
            sha256,
        })
    }

    /// Whether the guard would take it.
    pub fn is_taken(&self) -> bool {
        self.said.is_ok()
    }

    pub fn words(&self) -> String {
        let mut text = String::new();
        let mut line = |words: String| {
            // A text never fails to take more.
            let _ = writeln!(text, "{words}");
        };
        match &self.said {
            Ok(said) => {
                line(format!("{} {}: {}", said.name, said.version, said.purpose));
                line(String::new());
            }
            Err(why) => line(format!("{} would be refused: it {why}", self.file)),
        }
        if let Some(outline) = &self.outline {
            line(format!(
                "file       {}, {}, {}",
                kind(outline.kind),
                counted(outline.bytes, "byte"),
                counted(outline.functions, "function")
            ));
            line(format!("sha256     {}", self.sha256));
            if self.needs_pin {
                line(
                    "           too large unless the rules pin it: add sha256 = \"…\" beside file".to_owned(),
                );
            }
            line(format!("contract   {}", contract(outline)));
            line(format!("asks for   {}", asks_for(outline)));
        }
        if let Ok(said) = &self.said {
            for (index, signal) in said.signals.iter().enumerate() {
                let head = if index == 0 { "signals" } else { "" };
                let unit = match (signal.kind, signal.unit.as_str()) {
                    (ValueKind::Text, _) => "text",
                    (ValueKind::Number, "") => "number",
                    (ValueKind::Number, unit) => unit,
                };
                let needed = if signal.needed { "needed" } else { "optional" };
                line(format!("{head:<10} {} ({unit}, {needed}): {}", signal.name, signal.purpose));
            }
            for (index, setting) in settings(&said.settings_schema).iter().enumerate() {
                line(format!("{:<10} {setting}", if index == 0 { "settings" } else { "" }));
            }
        }
        text
    }

    pub fn to_json(&self) -> Value {
        let outline = self.outline.as_ref().map(|outline| {
            json!({
                "kind": kind(outline.kind), "bytes": outline.bytes, "functions": outline.functions,
                "contract": outline.contract, "imports": outline.imports,
            })
        });
        let said = self.said.as_ref().ok().map(|said| {
            let signals = said.signals.iter().map(|signal| {
                json!({
                    "name": signal.name.as_str(), "text": signal.kind == ValueKind::Text, "unit": signal.unit,
                    "needed": signal.needed, "purpose": signal.purpose,
                })
            });
            json!({
                "name": said.name.as_str(), "version": said.version, "purpose": said.purpose,
                "signals": signals.collect::<Vec<_>>(), "settings_schema": said.settings_schema,
            })
        });
        json!({
            "file": self.file, "sha256": self.sha256, "needs_pin": self.needs_pin, "outline": outline, "description": said,
            "refused": self.said.as_ref().err().map(ToString::to_string),
        })
    }
}

pub(super) fn digest(file: &[u8]) -> String {
    hex(&Sha256::digest(file))
}

fn kind(kind: FileKind) -> &'static str {
    match kind {
        FileKind::Component => "component",
        FileKind::CoreModule => "core module",
    }
}

fn contract(outline: &Screening) -> String {
    match &outline.contract {
        Some(version) if version == CONTRACT_VERSION => version.clone(),
        Some(version) => format!("{version}; this Idlegate speaks {CONTRACT_VERSION}"),
        None => "none that can be seen from outside".to_owned(),
    }
}

fn asks_for(outline: &Screening) -> String {
    const SHOWN: usize = 8;
    match outline.imports.len() {
        0 => "nothing".to_owned(),
        count if count > SHOWN => {
            format!("{} and {} more", outline.imports[..SHOWN].join(", "), count - SHOWN)
        }
        _ => outline.imports.join(", "),
    }
}

/// One line each: name, type, whether it may be left out, and what its schema says of it.
fn settings(schema: &Value) -> Vec<String> {
    let Some(properties) = schema["properties"].as_object() else {
        return vec!["none in its schema".to_owned()];
    };
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let line = |(name, of): (&String, &Value)| {
        let types = match &of["type"] {
            _ if is_duration(of) => "duration".to_owned(),
            Value::String(one) => one.clone(),
            Value::Array(several) => several
                .iter()
                .filter_map(Value::as_str)
                .filter(|each| *each != "null")
                .collect::<Vec<_>>()
                .join(" or "),
            _ => "value".to_owned(),
        };
        let default = match &of["default"] {
            Value::Null if required.contains(&name.as_str()) => "needed".to_owned(),
            Value::Null => "optional".to_owned(),
            default => format!("default {default}"),
        };
        let about = of["description"].as_str().unwrap_or_default().replace('\n', " ");
        format!("{name} ({types}, {default}): {about}")
    };
    properties.iter().map(line).collect()
}
