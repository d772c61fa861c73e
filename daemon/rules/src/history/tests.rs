//! What could go wrong with the history: it shows or restores what never was, a restore loses somebody's work, others
//! can read it, it fills the disk, a crash leaves half of something.

use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};

use super::keep::{BYTES_MAX, KEPT_MAX};
use super::restore::put_in_place;
use super::*;

const SHOP: &str = "title = \"Shop\"\n[broker]\nhost = \"here\"\n";
const MILL: &str =
    "title = \"Mill\"\n[[detectors]]\nuse = \"power-threshold\"\nsettings = { busy_watts = 40 }\n";

struct Shop(tempfile::TempDir);

impl Shop {
    fn new() -> Shop {
        let shop = Shop(tempfile::tempdir().unwrap());
        fs::create_dir(shop.state()).unwrap();
        shop.save("shop.toml", SHOP);
        shop.save("machines/mill.toml", MILL);
        shop
    }

    fn rules(&self) -> PathBuf {
        self.0.path().join("rules")
    }

    fn state(&self) -> PathBuf {
        self.0.path().join("state")
    }

    fn save(&self, path: &str, text: &str) {
        let path = self.rules().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    fn text(&self, path: &str) -> Option<String> {
        fs::read_to_string(self.rules().join(path)).ok()
    }

    fn folder(&self) -> Folder {
        super::super::load(&self.rules())
    }

    /// Whatever is in the folder is accepted so many seconds after the first of January 2026.
    fn accept(&self, seconds: i64) -> String {
        let folder = self.folder();
        keep(&folder, &self.state(), at(seconds)).unwrap();
        folder.digest
    }

    fn kept(&self) -> Vec<KeptRules> {
        kept_rules(&self.state()).unwrap()
    }

    fn restore(&self, digest: &str, replace_changes: bool) -> Result<RulesRestored, RestoreError> {
        let (kept, state, rules) = (self.kept(), self.state(), self.rules());
        let wanted = find(&kept, digest).unwrap();
        Restoration { state_dir: &state, wanted, dir: &rules, at: at(900), replace_changes }.restore()
    }

    /// All there is in the rules folder.
    fn all_files(&self) -> Vec<String> {
        let names = |dir: &Path| -> Vec<_> {
            let entries = fs::read_dir(dir).into_iter().flatten();
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
        };
        let mut all = names(&self.rules());
        for sub in ["machines", "inputs", "detectors"] {
            all.extend(names(&self.rules().join(sub)).into_iter().map(|name| format!("{sub}/{name}")));
        }
        all.retain(|path| !self.rules().join(path).is_dir());
        all.sort();
        all
    }
}

fn at(seconds: i64) -> WallTime {
    let first_of_january = parse_time("2026-01-01T00:00:00Z").unwrap();
    WallTime(first_of_january.0 + seconds * 1_000)
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().permissions().mode() & 0o7777
}

#[test]
fn what_was_accepted_is_kept_in_order_for_its_owner_only_and_an_unchanged_file_once() {
    let shop = Shop::new();
    shop.save("detectors/mine.wasm", "any bytes");
    let first = shop.accept(1);
    assert_eq!(shop.accept(2), first, "nothing changed");
    shop.save("machines/mill.toml", "title = \"Big mill\"\n");
    let second = shop.accept(3);
    shop.save("machines/mill.toml", MILL);
    // The clock was set back meanwhile.
    shop.accept(0);
    let kept = shop.kept();
    let of = |kept: &KeptRules| (kept.digest.clone(), kept.at, kept.set_aside);
    assert_eq!(
        kept.iter().map(of).collect::<Vec<_>>(),
        [(first.clone(), at(1), false), (second, at(3), false), (first, at(0), false)]
    );
    assert!(kept.iter().all(|kept| kept.read().is_some()));
    assert_eq!(mode(&shop.state().join(FOLDER)), 0o700);
    for kept in &kept {
        for folder in ["", "machines", "detectors"] {
            assert_eq!(mode(&kept.place.join(folder)), 0o700, "{folder}");
        }
        for file in ["shop.toml", "machines/mill.toml", "detectors/mine.wasm"] {
            assert_eq!(mode(&kept.place.join(file)), 0o600, "{file}");
        }
    }
    let inode = |kept: &KeptRules, file: &str| fs::metadata(kept.place.join(file)).unwrap().ino();
    for file in ["shop.toml", "detectors/mine.wasm"] {
        assert_eq!(inode(&kept[0], file), inode(&kept[2], file), "{file}");
    }
    assert_ne!(inode(&kept[0], "machines/mill.toml"), inode(&kept[1], "machines/mill.toml"));
}

#[test]
fn what_a_crash_left_unfinished_is_no_entry_and_goes_with_the_next() {
    let shop = Shop::new();
    let first = shop.accept(1);
    let history = shop.state().join(FOLDER);
    for files in [&[][..], &["shop.toml"], &["shop.toml", "machines/mill.toml"]] {
        for leftover in [".being-kept", ".being-set-aside", ".going"] {
            fs::create_dir_all(history.join(leftover).join("machines")).unwrap();
            files.iter().for_each(|file| fs::write(history.join(leftover).join(file), "half").unwrap());
        }
        assert_eq!(shop.kept().len(), 1);
    }
    shop.save("shop.toml", "title = \"Other\"\n");
    shop.accept(2);
    assert!(!history.join(".being-kept").exists());
    assert_eq!(shop.kept().len(), 2);
    assert_eq!(find(&shop.kept(), &first).unwrap().read().unwrap().digest, first);
}

#[test]
fn a_hundred_are_kept_and_what_was_accepted_again_goes_before_anything_else() {
    let shop = Shop::new();
    let history = shop.state().join(FOLDER);
    let entry =
        |number: u64, digest: u64| KeptRules::new(&history, number, at(1), &format!("{digest:064x}"), false);
    // The first rules, once more, and then so many others that the limit is reached.
    let others = (3..=u64::try_from(KEPT_MAX).unwrap()).map(|number| entry(number, number));
    let all: Vec<_> = [entry(1, 1), entry(2, 1)].into_iter().chain(others).collect();
    all.iter().for_each(|entry| fs::create_dir_all(&entry.place).unwrap());
    let there = || shop.kept().iter().map(|kept| kept.number).collect::<Vec<_>>();
    shop.accept(2);
    assert_eq!(
        (there().len(), &there()[..2]),
        (KEPT_MAX, &[2, 3][..]),
        "the older of the two that are alike"
    );
    shop.save("shop.toml", "title = \"Other\"\n");
    shop.accept(3);
    assert_eq!((there().len(), there()[0]), (KEPT_MAX, 3), "the oldest");
}

#[test]
fn large_files_make_the_oldest_go_and_what_is_too_large_is_not_kept() {
    let shop = Shop::new();
    shop.accept(1);
    let history = shop.state().join(FOLDER);
    // Holes, which take no room.
    for number in [2, 3] {
        let entry = KeptRules::new(&history, number, at(1), &format!("{number:064x}"), false);
        fs::create_dir_all(entry.place.join("detectors")).unwrap();
        let file = fs::File::create(entry.place.join("detectors/large.wasm")).unwrap();
        file.set_len(BYTES_MAX * 2 / 3).unwrap();
    }
    shop.save("shop.toml", "title = \"Other\"\n");
    shop.accept(4);
    assert_eq!(shop.kept().iter().map(|kept| kept.number).collect::<Vec<_>>(), [3, 4]);

    fs::create_dir(shop.rules().join("detectors")).unwrap();
    for name in ["a", "b", "c"] {
        let file = fs::File::create(shop.rules().join(format!("detectors/{name}.wasm"))).unwrap();
        file.set_len(30 * 1024 * 1024).unwrap();
    }
    let refused = keep(&shop.folder(), &shop.state(), at(5)).unwrap_err().to_string();
    assert!(refused.contains("larger than 64 MiB"), "{refused}");
    assert_eq!(shop.kept().len(), 2);
    assert!(!history.join(".being-kept").exists(), "others need the room");
}

#[test]
fn a_digest_is_found_by_its_beginning_if_that_fits_only_one() {
    let history = Path::new("/nowhere");
    let digests = ["0123456789abcdef", "0123456789abcdee", "ff"].map(|digest| format!("{digest:0<64}"));
    let entry = |(number, digest): (u64, &String)| KeptRules::new(history, number, at(1), digest, false);
    let kept: Vec<_> = (1..).zip(&digests).map(entry).collect();
    assert_eq!(find(&kept, "FF").unwrap().digest, digests[2]);
    assert_eq!(find(&kept, "0123456789abcdef").unwrap().digest, digests[0]);
    assert_eq!(find(&kept, "01"), Err(DigestError::Ambiguous("01".to_owned())));
    assert_eq!(find(&kept, "a"), Err(DigestError::Unknown("a".to_owned())));
    for odd in ["", "mill", "../.."] {
        assert_eq!(find(&kept, odd), Err(DigestError::NotDigest(odd.to_owned())));
    }
    assert_eq!(shortened(&kept, &digests[0]), "0123456789abcdef");
    assert_eq!(shortened(&kept, &digests[2]), "ff0000000000");
}

#[test]
fn a_change_is_told_by_machine_key_and_value_and_no_secret_in_it() {
    let folder = |texts: &[(&'static str, &'static str)]| Folder::from_texts(Path::new(""), texts.to_vec());
    let before = folder(&[
        (
            "shop.toml",
            "title = \"Shop\"\n[broker]\nhost = \"canary\"\n[stand_by]\nsecret = { file = \"/canary\" }\n",
        ),
        ("inputs.toml", "[inputs.button]\ntopic = \"b\"\n"),
        ("machines/kiln.toml", "title = \"Kiln\"\n"),
        (
            "machines/mill.toml",
            "[[detectors]]\nuse = \"power-threshold\"\nsettings = { busy_watts = 40, dwell = \"2min\" }\n",
        ),
        ("machines/saw.toml", "title = \"Saw\"\n"),
    ]);
    let after = folder(&[
        (
            "shop.toml",
            "title = \"Shop\"\n[broker]\nhost = \"canary2\"\nuser = \"canary\"\n[stand_by]\nsecret = { file = \"/canary2\" }\n",
        ),
        ("inputs.toml", "[inputs.button]\ntopic = \"b\"\n[inputs.door]\ntopic = \"d\"\n"),
        ("machines/kiln.toml", "# by Mara\ntitle = \"Kiln\"\n"),
        ("machines/lathe.toml", "title = \"Lathe\"\n"),
        (
            "machines/mill.toml",
            "shadow = true\n[[detectors]]\nuse = \"level\"\n[[detectors]]\nuse = \"power-threshold\"\nsettings = { busy_watts = 45 }\n",
        ),
    ]);
    assert_eq!(
        changes(Some(&before), &after),
        [
            "inputs: inputs.door added",
            "machine kiln: only its comments or its layout",
            "machine lathe: added",
            "machine mill: detectors.level added",
            "machine mill: detectors.power-threshold.settings.busy_watts was 40, is 45",
            "machine mill: detectors.power-threshold.settings.dwell = \"2min\" removed",
            "machine mill: shadow = true added",
            "machine saw: removed",
            "shop: broker.host changed",
            "shop: broker.user added",
            "shop: stand_by.secret.file changed",
        ]
    );
    assert_eq!(changes(None, &before), ["the first that were kept, with the machines kiln, mill and saw"]);
}

#[test]
fn a_restore_brings_back_every_file_and_touches_nothing_else() {
    let shop = Shop::new();
    shop.save("inputs/panel.toml", "[inputs.panel]\n");
    shop.save("detectors/mine.wasm", "any bytes");
    let first = shop.accept(1);
    let before = shop.folder().files;
    shop.save("README.txt", "mine");
    shop.save("machines/mill.toml", "title = \"Big mill\"\n");
    fs::set_permissions(shop.rules().join("machines/mill.toml"), fs::Permissions::from_mode(0o640)).unwrap();
    shop.save("machines/saw.toml", "title = \"Saw\"\n");
    shop.save("detectors/mine.wasm", "other bytes");
    fs::remove_dir_all(shop.rules().join("inputs")).unwrap();
    shop.accept(2);
    let restored = shop.restore(&first[..8], false).unwrap();
    assert_eq!(restored.written, ["detectors/mine.wasm", "inputs/panel.toml", "machines/mill.toml"]);
    assert_eq!((restored.removed, restored.set_aside), (vec!["machines/saw.toml".to_owned()], None));
    assert_eq!(shop.folder().digest, first);
    assert_eq!(
        shop.folder().files.iter().map(|file| (&file.path, &file.text)).collect::<Vec<_>>(),
        before.iter().map(|file| (&file.path, &file.text)).collect::<Vec<_>>()
    );
    assert_eq!(mode(&shop.rules().join("machines/mill.toml")), 0o640);
    assert_eq!(mode(&shop.rules().join("inputs/panel.toml")), 0o644, "the service reads it, too");
    let all = ["README.txt", "detectors/mine.wasm", "inputs/panel.toml", "machines/mill.toml", "shop.toml"];
    assert_eq!(shop.all_files(), all);
    assert_eq!(shop.restore(&first, false).unwrap(), RulesRestored::default(), "already there");
}

#[test]
fn a_lost_folder_is_written_anew() {
    let shop = Shop::new();
    let first = shop.accept(1);
    fs::remove_dir_all(shop.rules()).unwrap();
    shop.restore(&first, false).unwrap();
    assert_eq!(shop.folder().digest, first);
}

#[test]
fn changes_that_were_never_in_force_are_replaced_only_on_demand_and_then_not_lost() {
    let shop = Shop::new();
    let first = shop.accept(1);
    shop.save("machines/mill.toml", "title = \"Half");
    shop.save("machines/Big Mill.toml", "title = \"Hours of work\"\n");
    let refused = shop.restore(&first, false).unwrap_err();
    let RestoreError::NeverInForce(told) = &refused else { panic!("{refused:?}") };
    assert_eq!(
        told[..],
        [
            "machine mill: changed; one of the two is not TOML",
            "machines/Big Mill.toml: cannot be read as rules"
        ]
    );
    assert_eq!(shop.text("machines/mill.toml").unwrap(), "title = \"Half");

    let aside = shop.restore(&first, true).unwrap().set_aside.unwrap();
    assert_eq!(shop.folder().digest, first);
    assert_eq!(shop.all_files(), ["machines/mill.toml", "shop.toml"]);
    let kept = shop.kept();
    let aside = find(&kept, &aside).unwrap();
    assert!(aside.set_aside && mode(&aside.place.join("machines/Big Mill.toml")) == 0o600);
    assert_eq!(
        fs::read_to_string(aside.place.join("machines/Big Mill.toml")).unwrap(),
        "title = \"Hours of work\"\n"
    );
    shop.restore(&aside.digest, false).unwrap();
    assert_eq!(shop.text("machines/mill.toml").unwrap(), "title = \"Half");
    // They still were never in force; nothing is kept twice.
    assert!(matches!(shop.restore(&first, false), Err(RestoreError::NeverInForce(_))));
    assert_eq!(shop.restore(&first, true).unwrap().set_aside, None);
    assert_eq!(shop.kept().len(), 2);
}

#[test]
fn what_cannot_be_kept_is_not_replaced() {
    let shop = Shop::new();
    let first = shop.accept(1);
    shop.save("machines/mill.toml", "title = \"Mine\"\n");
    std::os::unix::fs::symlink("/nowhere", shop.rules().join("machines/gone.toml")).unwrap();
    let refused = shop.restore(&first, true).unwrap_err().to_string();
    assert!(refused.contains("nothing was changed") && refused.contains("gone.toml"), "{refused}");
    fs::remove_file(shop.rules().join("machines/gone.toml")).unwrap();
    // Nor does it write through a link that leads elsewhere.
    let elsewhere = shop.0.path().join("elsewhere");
    fs::rename(shop.rules().join("machines"), &elsewhere).unwrap();
    std::os::unix::fs::symlink(&elsewhere, shop.rules().join("machines")).unwrap();
    assert!(matches!(shop.restore(&first, true), Err(RestoreError::Outside(_))));
    assert_eq!(fs::read_to_string(elsewhere.join("mill.toml")).unwrap(), "title = \"Mine\"\n");
}

#[test]
fn what_was_changed_in_the_history_is_not_restored() {
    let shop = Shop::new();
    let first = shop.accept(1);
    fs::write(shop.kept()[0].place.join("shop.toml"), "title = \"Forged\"\n").unwrap();
    shop.save("shop.toml", "title = \"Other\"\n");
    assert!(matches!(shop.restore(&first, true), Err(RestoreError::Damaged)));
    assert_eq!(shop.text("shop.toml").unwrap(), "title = \"Other\"\n");
    // Accepted again, it is kept again, and found rather than the damaged one.
    shop.save("shop.toml", SHOP);
    shop.accept(2);
    assert_eq!(shop.kept().len(), 2);
    assert!(find(&shop.kept(), &first).unwrap().read().is_some());
}

#[test]
fn a_restore_that_is_killed_in_the_middle_loses_nothing_and_can_be_done_again() {
    let shop = Shop::new();
    shop.save("machines/saw.toml", "title = \"Saw\"\n");
    let first = shop.accept(1);
    for path in ["shop.toml", "machines/mill.toml", "machines/saw.toml"] {
        shop.save(path, "title = \"Later\"\n");
    }
    shop.save("machines/lathe.toml", "title = \"Lathe\"\n");
    let later = shop.accept(2);
    let (kept, state, rules) = (shop.kept(), shop.state(), shop.rules());
    let wanted = find(&kept, &first).unwrap();
    let killed_after = |files: usize| {
        let restoration =
            Restoration { state_dir: &state, wanted, dir: &rules, at: at(9), replace_changes: false };
        let mut prepared = restoration.prepare(&wanted.read().unwrap(), &shop.folder()).unwrap();
        let there = shop.all_files();
        assert_eq!(there.iter().filter(|path| path.contains(".idlegate-")).count(), prepared.len());
        prepared.truncate(files);
        put_in_place(prepared, &rules, &[]).unwrap();
    };
    killed_after(0);
    assert_eq!(shop.folder().digest, later, "none of it is in place yet");
    for files in 1..=3 {
        killed_after(files);
        let (old, young) = (rules.join("machines/.idlegate-old"), rules.join(".idlegate-young"));
        fs::File::create(&old).unwrap().set_modified(std::time::UNIX_EPOCH).unwrap();
        fs::write(&young, "another program is at it").unwrap();
        shop.restore(&first, true).unwrap();
        assert_eq!(shop.folder().digest, first, "after {files} files");
        assert!(!old.exists() && young.exists());
        fs::remove_file(young).unwrap();
        shop.restore(&later, false).unwrap();
        assert_eq!(shop.folder().digest, later);
    }
}
