//! A crate to begin with: it builds, its tests pass, and it can be tried at once.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::sdk_source;
use idlegate_plan::event::{Name, NotAName};

const FILES: [(&str, &str); 7] = [
    ("Cargo.toml", include_str!("template/Cargo.toml")),
    (".cargo/config.toml", include_str!("template/cargo-config.toml")),
    (".gitignore", "/target\n/*.wasm\n"),
    ("clippy.toml", include_str!("template/clippy.toml")),
    ("README.md", include_str!("template/README.md")),
    ("recordings/first.csv", include_str!("template/first.csv")),
    ("src/lib.rs", include_str!("template/lib.rs")),
];

#[derive(Debug, thiserror::Error)]
pub enum NewCrateError {
    #[error(transparent)]
    Name(#[from] NotAName),
    #[error("{name:?} cannot be the name of a crate: {why}; choose a name such as laser-tube")]
    NotACrate { name: String, why: &'static str },
    #[error("{} already exists and is not empty; nothing was written", .0.display())]
    NotEmpty(PathBuf),
    #[error("cannot write {}: {cause}", path.display())]
    Io { path: PathBuf, cause: io::Error },
}

/// Writes the crate `name` into the folder of that name below `parent`, and says which files it consists of, without
/// those of the SDK. Nothing that exists is overwritten.
pub fn write(parent: &Path, name: &str) -> Result<Vec<PathBuf>, NewCrateError> {
    let name = crate_name(name)?;
    let dir = parent.join(name.as_str());
    if std::fs::read_dir(&dir).is_ok_and(|mut entries| entries.next().is_some()) {
        return Err(NewCrateError::NotEmpty(dir));
    }
    let mut written = Vec::new();
    for (path, text) in FILES {
        let path = dir.join(path);
        write_new(&path, &fill_in(text, name.as_str()))?;
        written.push(path);
    }
    for (path, text) in sdk_source::FILES {
        write_new(&dir.join("sdk").join(path), text)?;
    }
    write_new(&dir.join("sdk/Cargo.toml"), &sdk_source::manifest())?;
    Ok(written)
}

fn crate_name(name: &str) -> Result<Name, NewCrateError> {
    let refuse = |why| Err(NewCrateError::NotACrate { name: name.to_owned(), why });
    let valid = Name::new(name)?;
    if !name.starts_with(|first: char| first.is_ascii_lowercase()) {
        return refuse("it does not begin with a letter");
    }
    if name.ends_with('-') || name.contains("--") {
        return refuse("a hyphen must stand between two words");
    }
    if ["idlegate-detector", "test", "std", "core", "alloc", "proc-macro"].contains(&name) {
        return refuse("another crate has that name");
    }
    // `cargo` refuses these, with a longer message.
    const KEYWORDS: &str = " as async await break const continue crate dyn else enum extern false fn for gen if impl in \
                            let loop match mod move mut pub ref return self static struct super trait true type \
                            unsafe use where while abstract become box do final macro override priv try typeof \
                            unsized virtual yield ";
    if KEYWORDS.contains(&format!(" {name} ")) {
        return refuse("it is a keyword in Rust");
    }
    Ok(valid)
}

fn fill_in(text: &str, name: &str) -> String {
    let camel: String = name.split('-').map(capitalised).collect();
    text.replace("{{name}}", name).replace("{{snake}}", &name.replace('-', "_")).replace("{{Type}}", &camel)
}

fn capitalised(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_ascii_uppercase().to_string() + letters.as_str())
}

fn write_new(path: &Path, text: &str) -> Result<(), NewCrateError> {
    let written = || {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::File::create_new(path)?.write_all(text.as_bytes())
    };
    written().map_err(|cause| NewCrateError::Io { path: path.to_owned(), cause })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_cargo_or_the_contract_would_refuse_are_refused_first() {
        let refusal = |name: &str| crate_name(name).expect_err(name).to_string();
        assert!(refusal("Laser").contains("is not a name"));
        assert!(refusal("../up").contains("is not a name"));
        assert_eq!(
            refusal("3d"),
            "\"3d\" cannot be the name of a crate: it does not begin with a letter; choose a name such as laser-tube"
        );
        assert!(refusal("a--b").contains("between two words"));
        assert!(refusal("match").contains("a keyword in Rust"));
        assert_eq!(crate_name("laser-tube").expect("a name").as_str(), "laser-tube");
    }

    #[test]
    fn nothing_is_left_to_fill_in_and_nothing_is_overwritten() {
        let parent = tempfile::tempdir().expect("a folder");
        let written = write(parent.path(), "laser-tube").expect("written");
        for path in written {
            let text = std::fs::read_to_string(&path).expect("a text");
            assert!(!text.contains("{{"), "{}", path.display());
        }
        let lib = std::fs::read_to_string(parent.path().join("laser-tube/src/lib.rs")).expect("a text");
        assert!(lib.contains("pub struct LaserTube {"));
        let again = write(parent.path(), "laser-tube").expect_err("it is not empty");
        assert!(again.to_string().ends_with("already exists and is not empty; nothing was written"));
    }
}
