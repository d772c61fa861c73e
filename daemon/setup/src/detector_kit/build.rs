//! Builds a maker's crate for the sandbox, wherever it is, by the maker's own compiler or by one fetched into a folder
//! of its own.
//!
//! Whatever toolchain is there stays as it is, and nothing but the crate's target folder is written to.

use std::io::{self, BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;

use super::look;
use super::sandbox_gaps::{self, Gap};

const TARGET: &str = "wasm32-unknown-unknown";
const FETCH: &str = include_str!("../../../../plugins/fetch-wasm-compiler");

#[derive(Debug, thiserror::Error)]
pub enum BuildError {
    #[error("{} holds no Cargo.toml; give the folder of a detector's crate, as idlegate detector new makes one", .0.display())]
    NoCrate(PathBuf),
    #[error("{program} cannot be started: {cause}; install Rust, for example from rustup.rs")]
    NoRust { program: &'static str, cause: io::Error },
    #[error("cargo does not understand this crate; what it says stands above")]
    NotUnderstood,
    #[error(
        "{0} is no library of the kind that becomes WebAssembly; write under [lib] in its Cargo.toml: crate-type = [\"cdylib\", \"rlib\"]"
    )]
    NoCdylib(String),
    #[error("{} is a workspace of several crates; give the folder of one of them", .0.display())]
    Workspace(PathBuf),
    #[error("the compiler could not be fetched into {}: {why}", dir.display())]
    NotFetched { dir: PathBuf, why: String },
    #[error("your Rust comes without rust-lld, the linker for WebAssembly; it was looked for at {}", .0.display())]
    NoLinker(PathBuf),
    #[error("the crate does not compile; what cargo says stands above")]
    NotCompiled,
    #[error("cargo said that it had compiled {0}, but not into which file")]
    NoFile(String),
    #[error(transparent)]
    Io(#[from] io::Error),
}

/// A detector's file, fresh from the compiler.
#[derive(Debug)]
pub struct Built {
    pub file: PathBuf,
    /// Parts of the standard library in its source that compile, and fail in the sandbox.
    pub gaps: Vec<Gap>,
}

/// A crate that becomes a detector.
#[derive(Debug)]
struct Crate {
    manifest: PathBuf,
    dir: PathBuf,
    /// As cargo calls it.
    id: String,
    target_dir: PathBuf,
}

/// Which compiler builds it.
#[derive(Debug)]
enum Compiler {
    /// The maker's, which has the target.
    Own,
    /// Debian's, in a folder of its own, with the maker's cargo and linker.
    Fetched { dir: PathBuf, linker: PathBuf },
}

/// Builds the crate in `dir`. A compiler that has to be fetched goes into `cache`; `say` is told what takes its time.
pub fn build(dir: &Path, cache: &Path, mut say: impl FnMut(&str)) -> Result<Built, BuildError> {
    let the_crate = Crate::in_dir(dir)?;
    let compiler = Compiler::choose(&the_crate.dir, cache, &mut say)?;
    let file = compile(&the_crate, &compiler)?;
    let gaps = sandbox_gaps::in_source(&the_crate.dir.join("src"));
    Ok(Built { file, gaps })
}

impl Crate {
    fn in_dir(dir: &Path) -> Result<Crate, BuildError> {
        let manifest = dir.join("Cargo.toml").canonicalize();
        let manifest = manifest.map_err(|_| BuildError::NoCrate(dir.to_owned()))?;
        let dir = manifest.parent().unwrap_or(Path::new("/")).to_owned();
        let mut cargo = rust("cargo", &dir);
        cargo.args(["metadata", "--no-deps", "--format-version", "1", "--manifest-path"]).arg(&manifest);
        let said: Value = serde_json::from_slice(&output("cargo", &mut cargo)?).unwrap_or_default();
        let packages = said["packages"].as_array().map_or(&[][..], Vec::as_slice);
        let own = packages.iter().find(|package| package["manifest_path"].as_str() == manifest.to_str());
        let Some(package) = own else { return Err(BuildError::Workspace(dir)) };
        let mut targets = package["targets"].as_array().into_iter().flatten();
        let is_cdylib = |target: &Value| target["crate_types"].to_string().contains("\"cdylib\"");
        if !targets.any(is_cdylib) {
            return Err(BuildError::NoCdylib(package["name"].as_str().unwrap_or("it").to_owned()));
        }
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let target_dir = own_target_dir(
            text(&said["target_directory"]).into(),
            Path::new(said["workspace_root"].as_str().unwrap_or("/")),
            &manifest,
        );
        Ok(Crate { id: text(&package["id"]), target_dir, manifest, dir })
    }
}

/// In a target folder that several crates share, cargo takes two of one name for the same, and hands out the one's
/// bytes for the other's.
fn own_target_dir(target_dir: PathBuf, workspace: &Path, manifest: &Path) -> PathBuf {
    if target_dir.starts_with(workspace) {
        return target_dir;
    }
    let digest = look::digest(manifest.as_os_str().as_encoded_bytes());
    target_dir.join(format!("idlegate-{}", &digest[..16]))
}

impl Compiler {
    fn choose(dir: &Path, cache: &Path, say: &mut impl FnMut(&str)) -> Result<Compiler, BuildError> {
        let sysroot = line_of(rust("rustc", dir).args(["--print", "sysroot"]))?;
        let sysroot = PathBuf::from(sysroot);
        if sysroot.join("lib/rustlib").join(TARGET).join("lib").is_dir() {
            return Ok(Compiler::Own);
        }
        let host = line_of(rust("rustc", dir).args(["--print", "host-tuple"]))?;
        let linker = sysroot.join("lib/rustlib").join(host).join("bin/rust-lld");
        if !linker.is_file() {
            return Err(BuildError::NoLinker(linker));
        }
        if !cache.join("complete").exists() {
            say(&format!(
                "your Rust cannot compile for {TARGET}, and is left as it is (rustup target add {TARGET} would teach it);\n\
                 fetching Debian's compiler into {} instead: 140 MB, 850 MB unpacked, once",
                cache.display()
            ));
            fetch(cache)?;
        }
        Ok(Compiler::Fetched { dir: cache.canonicalize()?, linker })
    }
}

fn fetch(dir: &Path) -> Result<(), BuildError> {
    let not_fetched = |why: String| BuildError::NotFetched { dir: dir.to_owned(), why };
    std::fs::create_dir_all(dir).map_err(|error| not_fetched(error.to_string()))?;
    let fetched =
        Command::new("sh").args(["-c", FETCH, "fetch-wasm-compiler"]).arg(dir).stdin(Stdio::null()).output();
    match fetched {
        Ok(done) if done.status.success() => Ok(()),
        Ok(done) => {
            let said = String::from_utf8_lossy(&done.stderr);
            Err(not_fetched(said.trim().lines().last().unwrap_or("it ended without a word").to_owned()))
        }
        Err(error) => Err(not_fetched(error.to_string())),
    }
}

fn compile(the_crate: &Crate, compiler: &Compiler) -> Result<PathBuf, BuildError> {
    let mut cargo = rust("cargo", &the_crate.dir);
    cargo.args(["build", "--release", "--message-format", "json-render-diagnostics", "--target", TARGET]);
    // Whatever the crate says: there is nobody in the sandbox to catch a panic.
    cargo.args(["--config", "profile.release.panic=\"abort\"", "--manifest-path"]).arg(&the_crate.manifest);
    match compiler {
        Compiler::Own => {
            cargo.arg("--target-dir").arg(&the_crate.target_dir);
        }
        Compiler::Fetched { dir, linker } => {
            // What another compiler has made is kept apart, or each would undo the work of the other. A stable compiler
            // builds the standard library only if it is told that it may.
            cargo
                .args(["-Zbuild-std=std,panic_abort", "--target-dir"])
                .arg(the_crate.target_dir.join("idlegate"));
            cargo.env("RUSTC", dir.join("bin/rustc")).env("RUSTC_BOOTSTRAP", "1");
            cargo.env("CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_LINKER", linker);
        }
    }
    let mut child = cargo.stdout(Stdio::piped()).spawn().map_err(no_rust("cargo"))?;
    let mut file = None;
    if let Some(said) = child.stdout.take() {
        for line in BufReader::new(said).lines() {
            let said: Value = serde_json::from_str(&line?).unwrap_or_default();
            // By its id, not by its name: two crates may have one name.
            if said["reason"] == "compiler-artifact" && said["package_id"].as_str() == Some(&the_crate.id) {
                let files = said["filenames"].as_array().into_iter().flatten().filter_map(Value::as_str);
                file = files.filter(|file| file.ends_with(".wasm")).map(PathBuf::from).next().or(file);
            }
        }
    }
    if !child.wait()?.success() {
        return Err(BuildError::NotCompiled);
    }
    file.ok_or_else(|| BuildError::NoFile(the_crate.id.clone()))
}

/// The maker's own cargo or rustc, which is not to fetch any toolchain by itself.
fn rust(program: &'static str, dir: &Path) -> Command {
    let mut command = Command::new(program);
    command.current_dir(dir).env("RUSTUP_AUTO_INSTALL", "0").stdin(Stdio::null());
    command
}

fn no_rust(program: &'static str) -> impl FnOnce(io::Error) -> BuildError {
    move |cause| BuildError::NoRust { program, cause }
}

fn output(program: &'static str, command: &mut Command) -> Result<Vec<u8>, BuildError> {
    let done = command.stderr(Stdio::inherit()).output().map_err(no_rust(program))?;
    if done.status.success() { Ok(done.stdout) } else { Err(BuildError::NotUnderstood) }
}

fn line_of(command: &mut Command) -> Result<String, BuildError> {
    Ok(String::from_utf8_lossy(&output("rustc", command)?).trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_crates_of_one_name_never_share_a_target_folder() {
        let dir = |target: &str, manifest: &str| {
            let manifest = Path::new(manifest);
            own_target_dir(target.into(), manifest.parent().unwrap(), manifest)
        };
        assert_eq!(dir("/a/lamp/target", "/a/lamp/Cargo.toml"), Path::new("/a/lamp/target"));
        let (one, other) = (dir("/shared", "/a/lamp/Cargo.toml"), dir("/shared", "/b/lamp/Cargo.toml"));
        assert!(one.starts_with("/shared") && one != other, "{one:?} {other:?}");
    }

    #[test]
    fn a_folder_without_a_crate_is_named_and_nothing_else_is_built() {
        let folder = tempfile::tempdir().unwrap();
        let refused = build(folder.path(), Path::new("/nowhere"), |_| ()).unwrap_err().to_string();
        assert!(refused.ends_with(
            "holds no Cargo.toml; give the folder of a detector's crate, as idlegate detector new makes one"
        ));
    }
}
