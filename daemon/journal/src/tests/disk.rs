//! Disks that are full, read-only or locked. Each test runs a second time as a child process with mounts of its
//! own, so that the small disk is a real one and vanishes with the process.

use std::process::Command;

use super::*;

const SMALL_DISK: &str = "IDLEGATE_JOURNAL_SMALL_DISK";

/// Runs `test` again where a disk can be mounted, and then `body` on that disk. Where the system does not allow
/// that, `otherwise` takes its place: never nothing.
fn on_a_small_disk(test: &str, body: impl Fn(&Path), otherwise: impl Fn()) {
    if let Some(folder) = std::env::var_os(SMALL_DISK) {
        let folder = PathBuf::from(folder);
        assert!(
            mount(&["-t", "tmpfs", "-o", "size=3m", "none"], &folder),
            "no disk in a namespace of our own"
        );
        return body(&folder);
    }
    let folder = tempfile::tempdir().unwrap();
    let own_mounts = ["--user", "--map-root-user", "--mount", "--"];
    let may_mount = Command::new("unshare")
        .args(own_mounts)
        .args(["mount", "-t", "tmpfs", "-o", "size=3m", "none"])
        .arg(folder.path())
        .status()
        .is_ok_and(|status| status.success());
    if !may_mount {
        println!("no disk can be mounted here: the stand-in runs instead");
        return otherwise();
    }
    let status = Command::new("unshare")
        .args(own_mounts)
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "--nocapture", &format!("tests::disk::{test}")])
        .env(SMALL_DISK, folder.path())
        .status()
        .unwrap();
    assert!(status.success(), "{test} failed on the small disk");
}

fn mount(arguments: &[&str], folder: &Path) -> bool {
    Command::new("mount").args(arguments).arg(folder).status().is_ok_and(|status| status.success())
}

// With all options told: otherwise the tool repeats the owner's number, which means nothing in a namespace.
fn remount(how: &str, folder: &Path) -> bool {
    mount(&["-t", "tmpfs", "-o", &format!("remount,{how},size=3m"), "none"], folder)
}

fn started(file: &Path, limits: Limits) -> (Journal, Restored, Heard) {
    let heard = Heard::default();
    let backend = FileBackend::new(file.to_owned(), limits);
    let (journal, restored) = Journal::start(Box::new(backend), quick(), heard.listener());
    (journal, restored, heard)
}

/// Writes until the disk has no byte left; the file that took it.
fn fill(folder: &Path) -> PathBuf {
    use std::io::Write as _;
    let file = folder.join("somebody-elses-file");
    let mut out = std::fs::File::create(&file).unwrap();
    let block = [7_u8; 4096];
    while out.write_all(&block).is_ok() {}
    while out.write_all(&block[..1]).is_ok() {}
    file
}

#[test]
fn a_full_disk_takes_the_reserve_then_memory_and_everything_comes_later() {
    let test = "a_full_disk_takes_the_reserve_then_memory_and_everything_comes_later";
    on_a_small_disk(
        test,
        |folder| {
            let file = journal_file(folder);
            let reserve = file.with_extension("reserve");
            let limits = Limits { reserve_bytes: 256 * 1024, ..limits() };
            let (journal, _, heard) = started(&file, limits);
            assert_eq!(journal.append_durably(lockout_change(0)).settled_blocking(), Storing::Stored);
            assert!(reserve.exists());
            let other = fill(folder);

            // The reserve carries it a while.
            let mut stored = 0;
            while journal.append_durably(decision(stored)).settled_blocking() == Storing::Stored {
                stored += 1;
                if stored.is_multiple_of(50) {
                    fill_again(folder);
                }
                assert!(stored < 100_000, "the disk never was full");
            }
            assert!(!reserve.exists());
            assert!(stored > 0);
            assert!(heard.degraded());
            assert!(matches!(journal.health(), JournalHealth::Degraded { .. }));
            for number in 0..50 {
                journal.append(decision(1_000_000 + number));
            }
            std::fs::remove_file(other).unwrap();
            std::fs::remove_file(folder.join("more")).ok();
            until("it works again", || journal.health() == JournalHealth::Ok);
            until("the reserve file is back", || reserve.exists());
            assert!(journal.close(AGES));
            assert_sound(&file);
            let found = all(&file);
            assert!(words(&found).contains(&"gap"));
            let decisions = found.iter().filter(|found| found.kind() == Some(RecordKind::Decision));
            let late = decisions.filter(|found| found.at.moment.0 >= 1_000_000).count();
            assert_eq!(late, 50, "what waited in memory is there");
        },
        a_page_cap_stands_in,
    );
}

fn fill_again(folder: &Path) {
    use std::io::Write as _;
    let mut out = std::fs::File::options().create(true).append(true).open(folder.join("more")).unwrap();
    while out.write_all(&[7_u8; 512]).is_ok() {}
}

/// SQLite reports a full disk for its own cap of pages, too.
fn a_page_cap_stands_in() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _, heard) = started(&file, Limits { file_bytes_max: 32 * 4096, ..limits() });
    for number in 0..2_000 {
        assert_eq!(journal.append_durably(decision(number)).settled_blocking(), Storing::Stored);
    }
    assert!(journal.close(AGES));
    assert!(!heard.degraded(), "old records made room");
    assert_sound(&file);
}

#[test]
fn a_file_at_its_cap_makes_room_by_itself() {
    a_page_cap_stands_in();
}

#[test]
fn a_card_that_turned_read_only_still_tells_its_lockouts() {
    on_a_small_disk(
        "a_card_that_turned_read_only_still_tells_its_lockouts",
        |folder| {
            let file = journal_file(folder);
            let (journal, _, heard) = started(&file, limits());
            assert_eq!(journal.append_durably(decision(1)).settled_blocking(), Storing::Stored);
            // A copy as a power cut leaves it: with the newest lockout in the log only.
            assert_eq!(journal.append_durably(lockout_change(2)).settled_blocking(), Storing::Stored);
            let crashed = folder.join("crashed.sqlite");
            std::fs::copy(&file, &crashed).unwrap();
            std::fs::copy(folder.join("journal.sqlite-wal"), folder.join("crashed.sqlite-wal")).unwrap();
            let clean = folder.join("clean.sqlite");
            assert!(journal.close(AGES));
            std::fs::copy(&file, &clean).unwrap();
            assert!(!heard.degraded());
            assert!(remount("ro", folder));

            for file in [&clean, &crashed] {
                let (journal, restored, heard) = started(file, limits());
                assert_eq!(restored.kept[&name("mill")], locked("panel"), "{}", file.display());
                assert!(heard.degraded());
                let storing = journal.append_durably(lockout_change(3)).settled_blocking();
                assert!(matches!(storing, Storing::NotStored(_)));
                let read: Vec<_> = all(file).iter().map(|found| found.at).collect();
                assert_eq!(read, [at(1), at(2)], "{}", file.display());
                assert!(remount("rw", folder));
                until("it works again", || journal.health() == JournalHealth::Ok);
                assert!(journal.close(AGES));
                assert_eq!(words(&all(file)), ["decision", "lockout", "gap", "lockout"]);
                assert_sound(file);
                assert!(remount("ro", folder));
            }
        },
        || {
            // Without a disk of our own: a folder in which nothing can be made.
            let (journal, _, heard) = started(Path::new("/proc/idlegate/journal.sqlite"), limits());
            let storing = journal.append_durably(lockout_change(3)).settled_blocking();
            assert!(matches!(storing, Storing::NotStored(_)));
            assert!(heard.degraded());
        },
    );
}

#[test]
fn a_card_that_turns_read_only_in_use_goes_on_in_memory() {
    on_a_small_disk(
        "a_card_that_turns_read_only_in_use_goes_on_in_memory",
        |folder| {
            // The kernel refuses to remount while files are open for writing, as a failing card would not; so a
            // second file system is laid over the first.
            let file = journal_file(folder);
            let (journal, _, heard) = started(&file, limits());
            assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
            assert!(mount(&["-t", "tmpfs", "-o", "ro,size=1m", "none"], folder));
            let storing = journal.append_durably(decision(2)).settled_blocking();
            assert!(matches!(storing, Storing::NotStored(_)), "{storing:?}");
            assert!(heard.degraded());
            assert!(Command::new("umount").arg(folder).status().unwrap().success());
            until("it works again", || journal.health() == JournalHealth::Ok);
            assert!(journal.close(AGES));
            let found = all(&file);
            assert_eq!(words(&found), ["lockout", "gap", "decision"]);
            assert_sound(&file);
        },
        || {
            let backend = crate::memory::MemoryBackend::default();
            let (journal, _) = Journal::start(Box::new(backend.clone()), quick(), nobody_listens());
            backend.contents().failing = Some(StoreError::ReadOnly("test".into()));
            let storing = journal.append_durably(decision(2)).settled_blocking();
            assert!(matches!(storing, Storing::NotStored(_)));
        },
    );
}

#[test]
fn a_journal_locked_by_another_program_waits_in_memory() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _, heard) = started(&file, limits());
    assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let storing = journal.append_durably(decision(2)).settled_blocking();
    assert!(matches!(&storing, Storing::NotStored(why) if why.contains("locked")), "{storing:?}");
    assert!(heard.degraded());
    other.execute_batch("ROLLBACK").unwrap();
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));
    assert_eq!(words(&all(&file)), ["lockout", "gap", "decision"]);
}

#[test]
fn a_journal_locked_at_the_start_tells_its_lockouts_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _, _) = started(&file, limits());
    assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
    assert!(journal.close(AGES));
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let (journal, restored, heard) = started(&file, limits());
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
    assert!(heard.degraded());
    drop(other);
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));
    let late = |news: &News| matches!(news, News::RestoredLate(_));
    assert!(!heard.news().iter().any(late), "what was told at the start is not told again");
}

#[test]
fn a_disk_that_cannot_even_hold_the_folder_is_told_and_lived_with() {
    let folder = tempfile::tempdir().unwrap();
    let in_the_way = folder.path().join("state");
    std::fs::write(&in_the_way, "a file where the folder should be").unwrap();
    let (journal, restored, heard) = started(&in_the_way.join("journal.sqlite"), limits());
    assert!(restored.kept.is_empty());
    assert!(heard.degraded());
    journal.append(decision(1));
    std::fs::remove_file(&in_the_way).unwrap();
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));
    assert_eq!(words(&all(&in_the_way.join("journal.sqlite"))), ["gap", "decision"]);
}

#[test]
fn a_reader_that_never_lets_go_does_not_fill_the_disk_with_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _, heard) = started(&file, Limits { log_bytes_max: 256 * 1024, ..limits() });
    assert_eq!(journal.append_durably(decision(0)).settled_blocking(), Storing::Stored);
    let forgotten = rusqlite::Connection::open(&file).unwrap();
    forgotten.execute_batch("BEGIN; SELECT count(*) FROM record").unwrap();
    let mut number = 0;
    while journal.append_durably(decision(number)).settled_blocking() == Storing::Stored {
        number += 1;
        assert!(number < 10_000, "the log grows without end");
    }
    assert!(heard.degraded());
    drop(forgotten);
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));
    assert_sound(&file);
}

#[test]
fn a_check_that_takes_too_long_is_left_off() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let limits = Limits { check_within: Span::ZERO, ..limits() };
    for _ in 0..2 {
        let (journal, _, heard) = started(&file, limits);
        for number in 0..5_000 {
            journal.append(decision(number));
        }
        assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
        assert!(journal.close(AGES));
        assert_eq!(heard.news(), []);
    }
    let (journal, restored, _) = started(&file, limits);
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
    assert!(journal.close(AGES));
}
