//! Where passwords come from: the environment, a private file, or a credential of the service manager.
//!
//! A secret goes from its place into [`Secret`] and nowhere else; no message here ever contains one.

use std::fs;
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use super::problem::Severity;
use idlegate_plan::Secret;

/// Why a secret cannot be had.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SecretTrouble {
    #[error("{0}")]
    Missing(String),
    #[error("{0}")]
    Exposed(String),
}

pub trait SecretSource {
    fn env(&self, name: &str) -> Result<Secret, SecretTrouble>;
    fn file(&self, path: &Path) -> Result<Secret, SecretTrouble>;
    fn credential(&self, name: &str) -> Result<Secret, SecretTrouble>;

    /// How bad a missing secret is: whoever only checks the rules rarely has the service's environment.
    fn when_missing(&self) -> Severity;
}

/// This computer's environment and files.
#[derive(Clone, Copy, Debug)]
pub struct SystemSecrets {
    when_missing: Severity,
}

impl SystemSecrets {
    /// For the service: without its secrets it cannot work.
    pub const SERVICE: SystemSecrets = SystemSecrets { when_missing: Severity::Error };
    /// For checking the rules as somebody else: a missing secret is a warning, and reads as empty.
    pub const CHECK: SystemSecrets = SystemSecrets { when_missing: Severity::Warning };
}

const SECRET_BYTES_MAX: u64 = 4_096;

impl SecretSource for SystemSecrets {
    fn env(&self, name: &str) -> Result<Secret, SecretTrouble> {
        // `std::env::var_os` panics on such names.
        if name.is_empty() || name.contains(['=', '\0']) {
            return Err(SecretTrouble::Missing("this is not the name of an environment variable".to_owned()));
        }
        match std::env::var(name) {
            Ok(value) if !value.is_empty() => Ok(Secret::new(value)),
            Ok(_) => Err(SecretTrouble::Missing("it is empty".to_owned())),
            Err(std::env::VarError::NotPresent) => Err(SecretTrouble::Missing("it is not set".to_owned())),
            Err(std::env::VarError::NotUnicode(_)) => {
                Err(SecretTrouble::Missing("it is not UTF-8 text".to_owned()))
            }
        }
    }

    fn file(&self, path: &Path) -> Result<Secret, SecretTrouble> {
        let missing = |error: std::io::Error| SecretTrouble::Missing(error.to_string());
        if !fs::metadata(path).map_err(missing)?.is_file() {
            return Err(SecretTrouble::Missing("it is not a plain file".to_owned()));
        }
        let file = fs::File::open(path).map_err(missing)?;
        // Asked of the opened file, so that nobody can exchange it in between.
        let mode = file.metadata().map_err(missing)?.permissions().mode();
        if mode & 0o007 != 0 {
            return Err(SecretTrouble::Exposed(format!(
                "every user of this computer has access to it (mode {:03o})",
                mode & 0o777
            )));
        }
        read_secret(file)
    }

    fn credential(&self, name: &str) -> Result<Secret, SecretTrouble> {
        if name.is_empty() || name.contains(['/', '\0']) || name.starts_with('.') {
            return Err(SecretTrouble::Missing("this is not the name of a credential".to_owned()));
        }
        let Some(dir) = std::env::var_os("CREDENTIALS_DIRECTORY") else {
            return Err(SecretTrouble::Missing(
                "the service manager has not passed any credentials".to_owned(),
            ));
        };
        let missing = |error: std::io::Error| SecretTrouble::Missing(error.to_string());
        read_secret(fs::File::open(Path::new(&dir).join(name)).map_err(missing)?)
    }

    fn when_missing(&self) -> Severity {
        self.when_missing
    }
}

fn read_secret(file: fs::File) -> Result<Secret, SecretTrouble> {
    let mut value = String::new();
    file.take(SECRET_BYTES_MAX)
        .read_to_string(&mut value)
        .map_err(|error| SecretTrouble::Missing(error.to_string()))?;
    // Editors end the last line, passwords do not.
    let trimmed = value.trim_end_matches(['\n', '\r']);
    if trimmed.is_empty() {
        return Err(SecretTrouble::Missing("it is empty".to_owned()));
    }
    Ok(Secret::new(trimmed.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_file_that_others_can_read_is_refused() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let path = dir.path().join("password");
        fs::write(&path, "canary-7\n").expect("written");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).expect("set");
        let refused = SystemSecrets::SERVICE.file(&path);
        assert!(
            matches!(&refused, Err(SecretTrouble::Exposed(why)) if !why.contains("canary")),
            "{refused:?}"
        );
        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).expect("set");
        let secret = SystemSecrets::SERVICE.file(&path).expect("private enough");
        assert_eq!(secret.expose(), "canary-7");
        assert!(!format!("{secret:?}").contains("canary"));
    }

    #[test]
    fn what_is_not_there_is_said_without_a_panic() {
        for name in ["", "A=B", "A\0B", "IDLEGATE_NEVER_SET"] {
            assert!(matches!(SystemSecrets::SERVICE.env(name), Err(SecretTrouble::Missing(_))), "{name:?}");
        }
        for name in ["", "../x", "a/b", "."] {
            assert!(SystemSecrets::SERVICE.credential(name).is_err(), "{name:?}");
        }
        assert!(SystemSecrets::SERVICE.file(Path::new("/nowhere/at/all")).is_err());
        assert!(SystemSecrets::SERVICE.file(Path::new("/dev/zero")).is_err());
    }
}
