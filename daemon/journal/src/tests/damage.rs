//! Damaged, emptied, foreign and vanished files: set aside, never deleted, told, and what was locked stays locked.

use std::fs;

use super::*;

/// A closed journal with a lockout and some decisions.
fn written(folder: &Path) -> PathBuf {
    let file = journal_file(folder);
    let (journal, _) = start(&file);
    for number in 0..1000 {
        journal.append(decision(number));
    }
    journal.append(lockout_change(1000));
    assert!(journal.close(AGES));
    file
}

fn reopened(file: &Path) -> (Restored, Heard) {
    let heard = Heard::default();
    let backend = FileBackend::new(file.to_owned(), limits());
    let (journal, restored) = Journal::start(Box::new(backend), quick(), heard.listener());
    let storing = journal.append_durably(decision(1)).settled_blocking();
    assert_eq!(storing, Storing::Stored, "the new journal works");
    assert!(journal.close(AGES));
    assert_sound(file);
    (restored, heard)
}

fn set_aside(heard: &Heard) -> Option<SetAside> {
    heard.news().into_iter().find_map(|news| match news {
        News::SetAside(set_aside) => Some(set_aside),
        News::Health(_) | News::RestoredLate(_) => None,
    })
}

#[test]
fn garbage_emptiness_and_foreign_files_are_set_aside_and_told() {
    let foreign = |file: &Path| {
        fs::remove_file(file).unwrap();
        let connection = rusqlite::Connection::open(file).unwrap();
        connection.execute_batch("CREATE TABLE recipe (dough TEXT)").unwrap();
    };
    type Harm<'a> = (&'a str, &'a dyn Fn(&Path));
    let harms: [Harm<'_>; 5] = [
        ("garbage", &|file| fs::write(file, "no database at all\n".repeat(1000)).unwrap()),
        ("empty", &|file| fs::write(file, "").unwrap()),
        ("another program's", &foreign),
        ("cut in half", &|file| {
            let length = fs::metadata(file).unwrap().len();
            fs::File::options().write(true).open(file).unwrap().set_len(length / 2).unwrap();
        }),
        ("gone but for its log", &|file| {
            fs::remove_file(file).unwrap();
            fs::write(crate::sqlite::wal_file(file), "log").unwrap();
        }),
    ];
    for (what, harm) in harms {
        let folder = tempfile::tempdir().unwrap();
        let file = written(folder.path());
        harm(&file);
        let before = fs::read(&file).ok();
        let (restored, heard) = reopened(&file);
        let set_aside = set_aside(&heard).expect(what);
        assert!(restored.doubt.is_some(), "{what}: lockouts may be missing, and people are told");
        assert_eq!(fs::read(&set_aside.file).ok(), before, "{what}: kept as it was");
        assert_eq!(words(&all(&file)), ["set-aside", "decision"], "{what}");
    }
}

#[test]
fn a_flipped_bit_in_a_record_sets_the_file_aside_but_the_lockout_stays() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let mut bytes = fs::read(&file).unwrap();
    let needle = b"machine-busy";
    let place = bytes.windows(needle.len()).rposition(|window| window == needle).unwrap();
    bytes[place] ^= 1;
    fs::write(&file, bytes).unwrap();
    let (restored, heard) = reopened(&file);
    assert!(set_aside(&heard).unwrap().why.contains("does not match its sum"));
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
    let (again, heard) = reopened(&file);
    assert_eq!(set_aside(&heard), None, "the new file is sound");
    assert_eq!(again.kept[&name("mill")], locked("panel"), "and holds the lockout itself");
}

#[test]
fn a_damaged_lockout_counts_as_one() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let connection = rusqlite::Connection::open(&file).unwrap();
    connection.execute("UPDATE kept SET lockout_by = NULL", []).unwrap();
    drop(connection);
    // Else its second copy would tell who it was.
    fs::remove_file(copy_of(&file)).unwrap();
    let (restored, heard) = reopened(&file);
    assert!(set_aside(&heard).is_some());
    assert_eq!(restored.kept[&name("mill")].lockout().unwrap().by, name("unknown"));
}

#[test]
fn a_missing_record_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let connection = rusqlite::Connection::open(&file).unwrap();
    connection.execute("DELETE FROM record WHERE seq = 200", []).unwrap();
    drop(connection);
    let (_, heard) = reopened(&file);
    assert_eq!(set_aside(&heard).unwrap().why, "records after 199 are missing");
}

#[test]
fn every_flipped_bit_is_noticed_or_harmless() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let sound = fs::read(&file).unwrap();
    let records = all(&file);
    let kept = JournalReader::open(&file).unwrap().restored(at(0)).kept;
    let flipped = folder.path().join("flipped.sqlite");
    let mut random = 0x00C0_FFEE_1234_5678_u64;
    let (mut noticed, mut harmless) = (0, 0);
    for _ in 0..400 {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let mut bytes = sound.clone();
        let place = usize::try_from(random >> 3).unwrap() % bytes.len();
        bytes[place] ^= 1 << (random & 7);
        fs::write(&flipped, &bytes).unwrap();
        let verdict = JournalReader::open(&flipped).and_then(|mut reader| {
            reader.verify()?;
            let read = reader.records(&Query::default()).collect::<Result<Vec<_>, _>>()?;
            Ok((read, reader.restored(at(0)).kept))
        });
        match verdict {
            Err(_) => noticed += 1,
            Ok(read) => {
                assert!(read == (records.clone(), kept.clone()), "byte {place} changed something in silence");
                harmless += 1;
            }
        }
    }
    println!("{noticed} flips noticed, {harmless} harmless");
    assert!(noticed > 2 * harmless, "most of the file is rows: {noticed} noticed, {harmless} harmless");
}

#[test]
fn a_file_removed_or_replaced_while_in_use_is_begun_anew_with_the_lockout_in_it() {
    for replaced in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let file = journal_file(folder.path());
        let heard = Heard::default();
        let backend = FileBackend::new(file.clone(), limits());
        let (journal, _) = Journal::start(Box::new(backend), quick(), heard.listener());
        assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
        fs::remove_file(&file).unwrap();
        if replaced {
            fs::write(&file, "somebody's notes").unwrap();
        }
        assert_eq!(journal.append_durably(decision(2)).settled_blocking(), Storing::Stored);
        assert!(journal.close(AGES));
        assert!(set_aside(&heard).is_some());
        let (restored, _) = reopened(&file);
        assert_eq!(restored.kept[&name("mill")], locked("panel"), "replaced: {replaced}");
    }
}

#[test]
fn logs_and_indexes_removed_while_in_use_lose_nothing() {
    for removed in ["-wal", "-shm"] {
        let folder = tempfile::tempdir().unwrap();
        let file = journal_file(folder.path());
        let (journal, _) = start(&file);
        assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
        fs::remove_file(folder.path().join(format!("journal.sqlite{removed}"))).unwrap();
        let _ = journal.append_durably(decision(2)).settled_blocking();
        assert!(journal.close(AGES));
        let (restored, heard) = reopened(&file);
        assert_eq!(set_aside(&heard), None, "{removed}");
        assert_eq!(restored.kept[&name("mill")], locked("panel"), "{removed}");
        let found = all(&file);
        assert!(found.iter().any(|found| found.at == at(2)), "{removed}: {:?}", words(&found));
    }
}

#[test]
fn only_some_damaged_files_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    for _ in 0..8 {
        fs::write(&file, "garbage").unwrap();
        let _ = reopened(&file);
    }
    assert_eq!(crate::set_aside::damaged_files(&file).len(), 5);
}

#[test]
fn a_crash_while_a_damaged_file_is_replaced_loses_no_lockout() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    // As it lies between the two renames: the old file set aside, the new one not yet in place.
    fs::rename(&file, crate::set_aside::fresh_file(&file)).unwrap();
    let (restored, _) = reopened(&file);
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
}

fn copy_of(file: &Path) -> PathBuf {
    file.with_extension("lockouts")
}

#[test]
fn a_damaged_journal_takes_no_lockout_with_it() {
    for (what, content) in [("garbage", "no database at all\n".repeat(1000)), ("empty", String::new())] {
        let folder = tempfile::tempdir().unwrap();
        let file = written(folder.path());
        fs::write(&file, content).unwrap();
        let (restored, _) = reopened(&file);
        assert!(restored.doubt.is_some(), "{what}: people are told");
        assert!(!restored.in_doubt, "{what}: the second copy knows");
        assert_eq!(restored.kept[&name("mill")], locked("panel"), "{what}");
        let (again, _) = reopened(&file);
        assert_eq!(again.kept[&name("mill")], locked("panel"), "{what}: the new journal has it, too");
    }
}

#[test]
fn where_neither_can_be_relied_on_everything_is_in_doubt() {
    type Harm<'a> = (&'a str, &'a dyn Fn(&Path), bool);
    let garbage = |file: &Path| fs::write(file, "garbage").unwrap();
    let harms: [Harm<'_>; 5] = [
        ("both damaged", &|file| (garbage(file), garbage(&copy_of(file))).0, true),
        ("damaged, and no copy", &|file| (garbage(file), fs::remove_file(copy_of(file)).unwrap()).0, true),
        ("a sound journal beside a damaged copy", &|file| garbage(&copy_of(file)), true),
        (
            "a sound journal without a copy, as of an earlier version",
            &|file| fs::remove_file(copy_of(file)).unwrap(),
            false,
        ),
        ("a new folder", &|file| fs::remove_dir_all(file.parent().unwrap()).unwrap(), false),
    ];
    for (what, harm, in_doubt) in harms {
        let folder = tempfile::tempdir().unwrap();
        let file = written(&folder.path().join("state"));
        harm(&file);
        let (restored, _) = reopened(&file);
        assert_eq!(restored.in_doubt, in_doubt, "{what}");
        assert_eq!(restored.doubt.is_some(), in_doubt, "{what}");
        let (again, _) = reopened(&file);
        assert!(!again.in_doubt, "{what}: told once, and sound from then on");
    }
}

#[test]
fn of_journal_and_copy_the_one_that_knows_more_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    // As one that stood by writes it: it heard that somebody has unlocked the mill, and that the kiln is locked.
    let unlocked = KeptState::default().after(&locked("panel"));
    let kiln = locked("red").after(&KeptState::default());
    let heard = [(name("mill"), unlocked), (name("kiln"), kiln.clone())].into();
    LockoutCopy::beside(&file).write(&heard, at(0).wall).unwrap();
    let (restored, news) = reopened(&file);
    assert_eq!((set_aside(&news), &restored.doubt), (None, &None));
    assert_eq!(restored.kept[&name("mill")].lockout(), None);
    assert_eq!(restored.kept[&name("kiln")], kiln);
    let (again, _) = reopened(&file);
    assert_eq!(again.kept, restored.kept);
}
