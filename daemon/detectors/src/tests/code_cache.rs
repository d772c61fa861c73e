//! Compiled code is run without further question, so the place it is kept in is questioned all the more.

use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use super::fixture::{Handmade, name, number};
use crate::limits::CACHE_ENTRIES_MAX;
use crate::{CodeCache, Execution, Instance, Loader, Module, Pin, Sandbox};
use idlegate_guard::time::Moment;

fn loader(execution: Execution, dir: &Path) -> Loader {
    Loader::new(Sandbox::new(execution).unwrap(), Some(CodeCache::open(dir).unwrap())).compiling_here()
}

fn works(module: &Module) {
    let mut instance = Instance::new(module, "{}", [name("power")].into()).unwrap();
    instance.observe(&[number(1, 5.0)]).unwrap();
    assert_eq!(&*instance.assess(Moment(1)).unwrap().reason, "seen 1");
}

fn entries(dir: &Path) -> Vec<PathBuf> {
    fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().path()).collect()
}

#[test]
fn the_second_start_compiles_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = &dir.path().join("state/compiled");
    let file = Handmade::default().file();
    works(&loader(Execution::Native, dir).load(&file, Pin::None).unwrap());
    let [entry] = &entries(dir)[..] else { panic!("one entry") };
    assert_eq!(fs::metadata(dir).unwrap().permissions().mode() & 0o777, 0o700);
    assert_eq!(fs::metadata(entry).unwrap().permissions().mode() & 0o777, 0o600);
    let written = fs::metadata(entry).unwrap().modified().unwrap();
    works(&loader(Execution::Native, dir).load(&file, Pin::None).unwrap());
    assert_eq!(fs::metadata(entry).unwrap().modified().unwrap(), written, "compiled and written once");
    // Interpreted code is another engine's: it gets an entry of its own.
    works(&loader(Execution::Interpreted, dir).load(&file, Pin::None).unwrap());
    assert_eq!(entries(dir).len(), 2);
}

#[test]
fn a_broken_entry_is_compiled_again_and_replaced() {
    let dir = tempfile::tempdir().unwrap();
    let dir = &dir.path().join("compiled");
    let loader = loader(Execution::Native, dir);
    let file = Handmade::default().file();
    works(&loader.load(&file, Pin::None).unwrap());
    let entry = entries(dir).remove(0);
    let sound = fs::read(&entry).unwrap();
    let mut flipped = sound.clone();
    flipped[sound.len() / 2] ^= 1;
    for broken in [Vec::new(), sound[..sound.len() / 2].to_vec(), flipped, vec![7; 100]] {
        fs::write(&entry, broken).unwrap();
        works(&loader.load(&file, Pin::None).unwrap());
        assert_eq!(fs::read(&entry).unwrap(), sound);
    }
}

#[test]
fn a_folder_that_others_may_enter_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let open = dir.path().join("open");
    fs::create_dir(&open).unwrap();
    fs::set_permissions(&open, Permissions::from_mode(0o755)).unwrap();
    let refusal = CodeCache::open(&open).unwrap_err().to_string();
    assert!(refusal.contains("may be read or written by others"), "{refusal}");
    let private = dir.path().join("private");
    let cache = CodeCache::open(&private).unwrap();
    std::os::unix::fs::symlink(&private, dir.path().join("link")).unwrap();
    let refusal = CodeCache::open(&dir.path().join("link")).unwrap_err().to_string();
    assert!(refusal.contains("is not a folder"), "{refusal}");
    // Opened to others while we run: nothing is read from it or written to it any more, and all still works.
    fs::set_permissions(&private, Permissions::from_mode(0o777)).unwrap();
    let loader = Loader::new(Sandbox::new(Execution::Native).unwrap(), Some(cache)).compiling_here();
    works(&loader.load(&Handmade::default().file(), Pin::None).unwrap());
    assert!(entries(&private).is_empty());
}

#[test]
fn the_oldest_entries_make_room() {
    let dir = tempfile::tempdir().unwrap();
    let dir = &dir.path().join("compiled");
    let loader = loader(Execution::Native, dir);
    for number in 0..CACHE_ENTRIES_MAX + 6 {
        fs::write(dir.join(format!("old-{number}.unfinished")), b"left by a power cut").unwrap();
    }
    works(&loader.load(&Handmade::default().file(), Pin::None).unwrap());
    assert_eq!(entries(dir).len(), CACHE_ENTRIES_MAX);
}

#[test]
fn a_file_that_everyone_may_write_is_not_loaded() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("handmade.wasm");
    let loader = super::fixture::loader();
    let refusal = |loader: &Loader| loader.load_file(&path, Pin::None).unwrap_err().to_string();
    assert!(refusal(&loader).starts_with("cannot be read: No such file"));
    fs::write(&path, Handmade::default().file()).unwrap();
    works(&loader.load_file(&path, Pin::None).unwrap());
    fs::set_permissions(&path, Permissions::from_mode(0o666)).unwrap();
    assert_eq!(refusal(&loader), "may be written by everyone on this computer, so it is not trusted");
    assert_eq!(loader.load_file(dir.path(), Pin::None).unwrap_err().to_string(), "is not a file");
}
