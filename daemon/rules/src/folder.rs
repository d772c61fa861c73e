//! A rules folder in memory: read once, within limits, so that everything after works on the same bytes.
//!
//! Reading never follows a link out of the folder and never waits on anything that is not a plain file.

use std::fs;
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::codes::Code;
use super::problem::{Problem, quoted};
use idlegate_plan::event::Name;
use idlegate_plan::text::hex;

/// A rules file of this size would be a thousand machines.
pub const FILE_BYTES_MAX: u64 = 256 * 1024;
/// A detector in Rust has some ten to a hundred kilobytes, one in an interpreted language some megabytes.
pub const MODULE_BYTES_MAX: u64 = 32 * 1024 * 1024;
/// Of each kind.
pub const FILES_MAX: usize = 2_048;

pub(crate) const SHOP_FILE: &str = "shop.toml";
pub(crate) const INPUTS_FILE: &str = "inputs.toml";
pub(crate) const INPUTS_DIR: &str = "inputs";
pub(crate) const MACHINES_DIR: &str = "machines";
pub(crate) const MODULES_DIR: &str = "detectors";

/// A rules folder as it was read.
#[derive(Clone, Debug, Default)]
pub struct Folder {
    pub root: PathBuf,
    /// In order of path.
    pub files: Vec<SourceFile>,
    /// The detectors in `detectors/`, in order of path.
    pub modules: Vec<ModuleFile>,
    /// SHA-256 over the paths and contents of all of these, in hexadecimal.
    pub digest: String,
    /// What went wrong while reading.
    pub problems: Vec<Problem>,
}

#[derive(Clone, Debug)]
pub struct SourceFile {
    /// Relative to the folder, with `/`.
    pub path: String,
    pub text: String,
}

#[derive(Clone, Debug)]
pub struct ModuleFile {
    /// Relative to the folder, with `/`.
    pub path: String,
    /// Of its content, in hexadecimal.
    pub sha256: String,
}

/// Reads the folder at `dir`. What cannot be read becomes a problem of the result.
pub fn load(dir: &Path) -> Folder {
    let mut folder = Folder { root: dir.to_path_buf(), ..Folder::default() };
    let root = match fs::canonicalize(dir) {
        Ok(root) if root.is_dir() => root,
        Ok(_) => {
            folder.complain(Code::NoFolder, "", format!("{} is not a folder", shown(dir)), None);
            return folder;
        }
        Err(error) => {
            let help = "`idlegate new-rules DIR` writes a rules folder to start from".to_owned();
            folder.complain(Code::NoFolder, "", format!("no rules at {}: {error}", shown(dir)), Some(help));
            return folder;
        }
    };
    let mut reader = Reader { root, folder };
    reader.read_all();
    folder = reader.folder;
    folder.finish();
    folder
}

impl Folder {
    /// A folder that was never on disk, for tests and for checking what an editor holds.
    pub fn from_texts<'a>(root: &Path, texts: impl IntoIterator<Item = (&'a str, &'a str)>) -> Folder {
        let mut folder = Folder { root: root.to_path_buf(), ..Folder::default() };
        for (path, text) in texts {
            folder.files.push(SourceFile { path: path.to_owned(), text: text.to_owned() });
        }
        folder.finish();
        folder
    }

    pub(crate) fn module(&self, path: &str) -> Option<&ModuleFile> {
        self.modules.iter().find(|module| module.path == path)
    }

    /// The machine whose file `path` is.
    pub(crate) fn machine_of(path: &str) -> Option<&str> {
        path.strip_prefix("machines/")?.strip_suffix(".toml")
    }

    pub(crate) fn holds_inputs(path: &str) -> bool {
        path == INPUTS_FILE || path.starts_with("inputs/")
    }

    fn finish(&mut self) {
        self.files.sort_by(|a, b| a.path.cmp(&b.path));
        self.modules.sort_by(|a, b| a.path.cmp(&b.path));
        let mut hash = Sha256::new();
        for file in &self.files {
            // With their lengths, so that no two different folders feed the same bytes.
            for part in [&file.path, &file.text] {
                hash.update((part.len() as u64).to_be_bytes());
                hash.update(part);
            }
        }
        hash.update(b"detectors");
        for module in &self.modules {
            hash.update((module.path.len() as u64).to_be_bytes());
            hash.update(&module.path);
            hash.update(&module.sha256);
        }
        self.digest = hex(&hash.finalize());
    }

    fn complain(&mut self, code: Code, file: &str, message: String, help: Option<String>) {
        let file = file.to_owned();
        self.problems.push(Problem { code, severity: code.severity(), file, spot: None, message, help });
    }
}

struct Reader {
    /// With every link resolved.
    root: PathBuf,
    folder: Folder,
}

impl Reader {
    fn read_all(&mut self) {
        for name in self.list("") {
            if name == SHOP_FILE || name == INPUTS_FILE {
                self.read_text(&name);
            } else if name.ends_with(".toml") {
                self.unread(&name);
            }
        }
        for name in self.list(MACHINES_DIR).into_iter().filter(|name| name.ends_with(".toml")) {
            let path = format!("{MACHINES_DIR}/{name}");
            match Name::new(name.trim_end_matches(".toml")) {
                Ok(_) => self.read_text(&path),
                Err(error) => {
                    let help = "rename the file; the name that people read goes into title".to_owned();
                    self.folder.complain(Code::BadFileName, &path, error.to_string(), Some(help));
                }
            }
        }
        for name in self.list(INPUTS_DIR).into_iter().filter(|name| name.ends_with(".toml")) {
            self.read_text(&format!("{INPUTS_DIR}/{name}"));
        }
        for name in self.list(MODULES_DIR).into_iter().filter(|name| name.ends_with(".wasm")) {
            self.read_module(&format!("{MODULES_DIR}/{name}"));
        }
        if !self.folder.files.iter().any(|file| file.path == SHOP_FILE)
            && !self.folder.problems.iter().any(|problem| problem.file == SHOP_FILE)
        {
            let help =
                "it says where the broker is; `idlegate new-rules DIR` writes a rules folder to start from"
                    .to_owned();
            self.folder.complain(Code::MissingFile, SHOP_FILE, "this file is missing".to_owned(), Some(help));
        }
        let is_machine = |path: &str| path.starts_with("machines/");
        if !self.folder.files.iter().any(|file| is_machine(&file.path))
            && !self.folder.problems.iter().any(|problem| is_machine(&problem.file))
        {
            let message = "no machine is declared".to_owned();
            let help = "add a file machines/<name>.toml for each machine to guard".to_owned();
            self.folder.complain(Code::MissingFile, MACHINES_DIR, message, Some(help));
        }
    }

    /// The names in a subfolder, sorted; hidden files and editors' leftovers are passed over.
    fn list(&mut self, sub: &str) -> Vec<String> {
        let path = if sub.is_empty() { self.root.clone() } else { self.root.join(sub) };
        if !sub.is_empty() && fs::symlink_metadata(&path).is_err() {
            return Vec::new();
        }
        if !fs::canonicalize(&path).is_ok_and(|real| real.starts_with(&self.root)) {
            self.outside(sub);
            return Vec::new();
        }
        self.warn_if_writable_by_all(sub, &path);
        let entries = match fs::read_dir(&path) {
            Ok(entries) => entries,
            Err(error) => {
                let code = if sub.is_empty() { Code::NoFolder } else { Code::Unreadable };
                self.folder.complain(code, sub, format!("this folder cannot be listed: {error}"), None);
                return Vec::new();
            }
        };
        let mut names: Vec<String> = entries
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter(|name| !name.starts_with(['.', '#']))
            .filter(|name| name.ends_with(".toml") || name.ends_with(".wasm") || almost_toml(name).is_some())
            .take(FILES_MAX + 1)
            .collect();
        names.sort();
        for (name, meant) in names.iter().filter_map(|name| Some((name, almost_toml(name)?))) {
            let path = if sub.is_empty() { name.clone() } else { format!("{sub}/{name}") };
            let message =
                "Idlegate does not read this file, because its name does not end in .toml".to_owned();
            self.folder.complain(Code::UnreadFile, &path, message, Some(format!("rename it to {meant}")));
        }
        names.retain(|name| almost_toml(name).is_none());
        if names.len() > FILES_MAX {
            let message = format!("more than {FILES_MAX} files in one folder");
            self.folder.complain(Code::TooLarge, sub, message, None);
            names.truncate(FILES_MAX);
        }
        names
    }

    fn unread(&mut self, name: &str) {
        let help = match super::words::nearest(name, [SHOP_FILE, INPUTS_FILE]) {
            Some(near) => format!("did you mean {near}?"),
            None => format!("a machine's file belongs in {MACHINES_DIR}/"),
        };
        self.folder.complain(
            Code::UnreadFile,
            name,
            "Idlegate does not read this file".to_owned(),
            Some(help),
        );
    }

    fn outside(&mut self, path: &str) {
        let message = "this link leads out of the rules folder, or nowhere".to_owned();
        let help = "put the file itself into the folder".to_owned();
        self.folder.complain(Code::OutsideFolder, path, message, Some(help));
    }

    fn read_text(&mut self, path: &str) {
        let Some(bytes) = self.read_bytes(path, FILE_BYTES_MAX) else { return };
        match String::from_utf8(bytes) {
            Ok(text) => self.folder.files.push(SourceFile { path: path.to_owned(), text }),
            Err(error) => {
                let message =
                    format!("this is not UTF-8 text (from byte {} on)", error.utf8_error().valid_up_to());
                let help = "save the file as UTF-8".to_owned();
                self.folder.complain(Code::Unreadable, path, message, Some(help));
            }
        }
    }

    fn read_module(&mut self, path: &str) {
        let Some(bytes) = self.read_bytes(path, MODULE_BYTES_MAX) else { return };
        let sha256 = hex(&Sha256::digest(&bytes));
        self.folder.modules.push(ModuleFile { path: path.to_owned(), sha256 });
    }

    /// Named once for a folder and once for each of its files.
    fn warn_if_writable_by_all(&mut self, path: &str, real: &Path) {
        const WRITABLE_BY_OTHERS: u32 = 0o002;
        let Ok(metadata) = fs::metadata(real) else { return };
        let mode = metadata.permissions().mode() & 0o7777;
        if mode & WRITABLE_BY_OTHERS != 0 {
            let what = if metadata.is_dir() { "folder" } else { "file" };
            let message = format!("every user of this computer can change this {what} (mode {mode:03o})");
            let help = format!("chmod o-w {}", shown(real));
            self.folder.complain(Code::WritableByAll, path, message, Some(help));
        }
    }

    fn read_bytes(&mut self, path: &str, limit: u64) -> Option<Vec<u8>> {
        let real = match fs::canonicalize(self.root.join(path)) {
            Ok(real) if real.starts_with(&self.root) => real,
            Ok(_) | Err(_) => {
                self.outside(path);
                return None;
            }
        };
        // Asked before opening: opening a named pipe would wait for its writer.
        if !real.is_file() {
            self.folder.complain(Code::Unreadable, path, "this is not a plain file".to_owned(), None);
            return None;
        }
        self.warn_if_writable_by_all(path, &real);
        let mut bytes = Vec::new();
        let read = fs::File::open(&real).and_then(|file| file.take(limit + 1).read_to_end(&mut bytes));
        match read {
            Err(error) => {
                self.folder.complain(
                    Code::Unreadable,
                    path,
                    format!("this file cannot be read: {error}"),
                    None,
                );
                None
            }
            Ok(_) if bytes.len() as u64 > limit => {
                self.folder.complain(Code::TooLarge, path, format!("larger than {} KiB", limit / 1024), None);
                None
            }
            Ok(_) => Some(bytes),
        }
    }
}

/// What a file was meant to be called whose name some editor or file manager has spoiled.
fn almost_toml(name: &str) -> Option<String> {
    let lower = name.to_ascii_lowercase();
    let stem = lower.strip_suffix(".toml.txt").or_else(|| lower.strip_suffix(".toml"))?;
    (!name.ends_with(".toml")).then(|| format!("{stem}.toml"))
}

fn shown(path: &Path) -> String {
    quoted(&path.to_string_lossy())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codes(folder: &Folder) -> Vec<(&'static str, String)> {
        folder.problems.iter().map(|problem| (problem.code.word(), problem.file.clone())).collect()
    }

    #[test]
    fn what_everybody_may_change_is_named_with_the_remedy() {
        let dir = small_folder();
        let open = |path: &str, mode| {
            let path = dir.path().join(path);
            fs::set_permissions(path, fs::Permissions::from_mode(mode)).expect("set");
        };
        open("machines", 0o777);
        open("shop.toml", 0o666);
        open("machines/mill.toml", 0o664);
        let folder = load(dir.path());
        let mut told: Vec<_> = folder.problems.iter().map(|problem| problem.told()).collect();
        told.sort();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(
            told[0].starts_with(
                "machines: warning: every user of this computer can change this folder (mode 777)"
            ),
            "{told:?}"
        );
        assert!(told[0].ends_with("/machines\"") && told[0].contains("help: chmod o-w \"/"), "{told:?}");
        assert!(
            told[1].starts_with(
                "shop.toml: warning: every user of this computer can change this file (mode 666)"
            ),
            "{told:?}"
        );
        assert!(folder.problems.iter().all(|problem| !problem.is_error()));
    }

    fn small_folder() -> tempfile::TempDir {
        let dir = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir(dir.path().join("machines")).expect("made");
        fs::write(dir.path().join("shop.toml"), "title = \"a\"\n").expect("written");
        fs::write(dir.path().join("machines/mill.toml"), "").expect("written");
        dir
    }

    #[test]
    fn the_digest_follows_names_and_contents_and_nothing_else() {
        let dir = small_folder();
        let first = load(dir.path());
        assert_eq!(codes(&first), []);
        fs::write(dir.path().join("README.txt"), "not a rule").expect("written");
        fs::write(dir.path().join("machines/.mill.toml.swp"), "editor").expect("written");
        assert_eq!(load(dir.path()).digest, first.digest);
        fs::rename(dir.path().join("machines/mill.toml"), dir.path().join("machines/kiln.toml"))
            .expect("moved");
        assert_ne!(load(dir.path()).digest, first.digest);
        fs::rename(dir.path().join("machines/kiln.toml"), dir.path().join("machines/mill.toml"))
            .expect("moved");
        assert_eq!(load(dir.path()).digest, first.digest);
    }

    #[test]
    fn a_replaced_detector_changes_the_digest() {
        let dir = small_folder();
        fs::create_dir(dir.path().join("detectors")).expect("made");
        fs::write(dir.path().join("detectors/a.wasm"), b"\0asm1").expect("written");
        let first = load(dir.path());
        fs::write(dir.path().join("detectors/a.wasm"), b"\0asm2").expect("written");
        assert_ne!(load(dir.path()).digest, first.digest);
    }

    #[test]
    fn links_out_of_the_folder_pipes_and_giants_are_refused() {
        let dir = small_folder();
        let machines = dir.path().join("machines");
        std::os::unix::fs::symlink("/etc/hostname", machines.join("out.toml")).expect("linked");
        std::os::unix::fs::symlink("mill.toml", machines.join("within.toml")).expect("linked");
        let _socket = std::os::unix::net::UnixListener::bind(machines.join("pipe.toml")).expect("bound");
        let giant = vec![b'#'; usize::try_from(FILE_BYTES_MAX).expect("small") + 1];
        fs::write(machines.join("giant.toml"), giant).expect("written");
        fs::write(machines.join("latin.toml"), b"title = \"\xe4\"").expect("written");
        fs::write(machines.join("Big Mill.toml"), "").expect("written");
        let folder = load(dir.path());
        let expected = [
            ("bad-file-name", "machines/Big Mill.toml"),
            ("too-large", "machines/giant.toml"),
            ("unreadable", "machines/latin.toml"),
            ("outside-folder", "machines/out.toml"),
            ("unreadable", "machines/pipe.toml"),
        ];
        assert_eq!(codes(&folder), expected.map(|(code, file)| (code, file.to_owned())));
        assert!(folder.files.iter().any(|file| file.path == "machines/within.toml"));
    }

    #[test]
    fn a_missing_folder_a_file_and_an_empty_folder_are_told_apart() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        assert_eq!(codes(&load(&dir.path().join("nothing"))), [("no-folder", String::new())]);
        let empty = load(dir.path());
        let expected = [("missing-file", "shop.toml".to_owned()), ("missing-file", "machines".to_owned())];
        assert_eq!(codes(&empty), expected);
        fs::write(dir.path().join("file"), "").expect("written");
        assert_eq!(codes(&load(&dir.path().join("file"))), [("no-folder", String::new())]);
    }
}
