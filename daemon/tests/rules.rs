//! What could go wrong in the workshop: somebody saves a rules file with a slip in it, and is told nonsense, told
//! only half of it, or nothing at all. Each folder under `rules/` is such a slip beside the text it must produce.
//!
//! A case is laid over `rules/base`, unless it contains a file called `bare`. After a change that is meant,
//! `UPDATE_EXPECTED=1 cargo test -p idlegate --test rules` writes the texts anew; read them before you commit them.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use idlegate_guard::WhenBusy;
use idlegate_plan::{InputSource, MachineIx, ModuleSource, Plan, Secret, SignalIx, ValuePath};
use idlegate_rules::check::{CheckOutcome, check};
use idlegate_rules::secrets::SecretTrouble;
use idlegate_rules::{
    Code, Compiled, DetectorCatalog, DetectorFacts, Folder, Problem, SecretSource, Severity, SignalFact,
    Surroundings, SystemSecrets, compile, load, starter,
};
use proptest::prelude::*;
use serde_json::json;

struct Shelf;

impl DetectorCatalog for Shelf {
    fn describe(&self, module: &ModuleSource) -> Result<DetectorFacts, String> {
        let name = match module {
            ModuleSource::BuiltIn(name) => name.as_str().to_owned(),
            ModuleSource::File { path, .. } if path.ends_with("detectors/broken.wasm") => {
                return Err("it does not export idlegate:detector/busy-detector@1.0.0".to_owned());
            }
            ModuleSource::File { .. } => "laser-cutter".to_owned(),
        };
        let number = |name: &str, unit: &str, needed| SignalFact {
            name: name.to_owned(),
            unit: unit.to_owned(),
            numeric: true,
            needed,
        };
        let (signals, properties, required) = match name.as_str() {
            "machine-status" => (
                vec![SignalFact {
                    name: "status".to_owned(),
                    unit: String::new(),
                    numeric: false,
                    needed: true,
                }],
                json!({ "busy": { "type": "array", "items": { "type": "string" } },
                        "idle": { "type": "array", "items": { "type": "string" } } }),
                json!([]),
            ),
            "temperature-decay" => (
                vec![number("temperature", "Cel", true)],
                json!({ "safe_below": { "type": "number", "description": "Degrees Celsius." } }),
                json!(["safe_below"]),
            ),
            "laser-cutter" => (
                vec![number("tube-current", "mA", true), number("power", "W", false)],
                json!({ "mode": { "enum": ["cut", "engrave"] } }),
                json!([]),
            ),
            _ => (
                vec![number("power", "W", true)],
                json!({
                    "busy_watts": { "type": "number", "description": "Busy above this draw, in watts.", "minimum": 0 },
                    "quiet_watts": { "type": "number" },
                    "dwell": { "type": "string" },
                }),
                json!(["busy_watts", "dwell"]),
            ),
        };
        let settings_schema = json!({
            "type": "object", "properties": properties, "required": required, "additionalProperties": false,
        });
        Ok(DetectorFacts { name, signals, settings_schema })
    }

    fn try_settings(&self, _: &ModuleSource, settings: &serde_json::Value) -> Result<(), String> {
        match (settings["busy_watts"].as_f64(), settings["quiet_watts"].as_f64()) {
            (Some(above), Some(below)) if below > above => Err(format!(
                "quiet_watts is {below} W, more than busy_watts ({above} W): give at most busy_watts"
            )),
            _ => Ok(()),
        }
    }

    fn built_in(&self) -> Vec<String> {
        ["machine-status", "power-threshold", "temperature-decay"].map(str::to_owned).to_vec()
    }
}

fn around() -> Surroundings<'static> {
    Surroundings { detectors: &Shelf, secrets: &SystemSecrets::SERVICE }
}

fn cases_dir() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rules")
}

fn cases() -> Vec<String> {
    let mut cases: Vec<String> = fs::read_dir(cases_dir())
        .expect("the cases")
        .map(|entry| entry.expect("readable").file_name().into_string().expect("UTF-8"))
        .filter(|name| name != "base")
        .collect();
    cases.sort();
    cases
}

fn lay(from: &Path, to: &Path) {
    for entry in fs::read_dir(from).expect("a folder") {
        let path = entry.expect("readable").path();
        let target = to.join(path.file_name().expect("a name"));
        if path.is_dir() {
            fs::create_dir_all(&target).expect("made");
            lay(&path, &target);
        } else {
            fs::copy(&path, &target).expect("copied");
        }
    }
}

/// The case as a folder on disk.
fn set_up(case: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let source = cases_dir().join(case);
    if !source.join("bare").exists() {
        lay(&cases_dir().join("base"), dir.path());
    }
    lay(&source, dir.path());
    // What cannot be kept in a repository.
    match case {
        "too-large" => {
            let text = "# much ado\n".repeat(30_000);
            fs::create_dir(dir.path().join("machines")).expect("made");
            fs::write(dir.path().join("machines/mill.toml"), text).expect("written");
        }
        "secret-exposed" => {
            let exposed = fs::Permissions::from_mode(0o644);
            fs::set_permissions(dir.path().join("password"), exposed).expect("set");
        }
        "writable-by-all" => {
            let open = fs::Permissions::from_mode(0o666);
            fs::set_permissions(dir.path().join("inputs.toml"), open).expect("set");
        }
        _ => {}
    }
    dir
}

fn outcome_of(case: &str) -> (Vec<Problem>, Option<Plan>) {
    let dir = set_up(case);
    let place = if case == "no-folder" { dir.path().join("nothing-here") } else { dir.path().to_path_buf() };
    match compile(&load(&place), &around()) {
        Ok(Compiled { plan, warnings }) => (warnings, Some(plan)),
        Err(problems) => (problems, None),
    }
}

fn text_of(case: &str) -> String {
    let (problems, plan) = outcome_of(case);
    let mut text: String = problems.iter().map(|problem| problem.render() + "\n").collect();
    if let Some(at) = text.find("\"/tmp/") {
        let end = text[at + 1..].find('"').map_or(text.len(), |end| at + end + 2);
        text.replace_range(at..end, "\"DIR\"");
    }
    text.push_str(if plan.is_some() { "usable\n" } else { "not usable\n" });
    text
}

#[test]
fn every_slip_is_told_as_it_should_be() {
    let update = std::env::var_os("UPDATE_EXPECTED").is_some();
    let mut wrong = Vec::new();
    for case in cases() {
        let expected_file = cases_dir().join(&case).join("expected.txt");
        let text = text_of(&case);
        if update {
            fs::write(&expected_file, &text).expect("written");
        } else if fs::read_to_string(&expected_file).unwrap_or_default() != text {
            wrong.push(format!("--- {case}\n{text}"));
        }
    }
    assert!(wrong.is_empty(), "these texts changed:\n{}", wrong.join("\n"));
}

#[test]
fn every_code_has_a_case_of_its_name_that_shows_it() {
    let cases: BTreeSet<String> = cases().into_iter().collect();
    for code in Code::ALL {
        let case = code.word();
        assert!(cases.contains(case), "no case for {case}");
        let (problems, plan) = outcome_of(case);
        assert!(problems.iter().any(|problem| problem.code == *code), "{case} does not show its code");
        let broken = problems.iter().any(Problem::is_error);
        assert_eq!(plan.is_none(), broken, "{case}");
    }
}

#[test]
fn the_base_of_all_cases_and_the_starter_have_no_problem() {
    assert_eq!(text_of("good"), "usable\n");
    let dir = tempfile::tempdir().expect("a temporary folder");
    let rules = dir.path().join("rules");
    starter::write(&rules).expect("written");
    let compiled = compile(&load(&rules), &around()).expect("the starter can be used");
    assert_eq!(compiled.warnings, []);
    assert!(compiled.plan.machines[0].policy.shadow);
}

#[test]
fn a_good_folder_becomes_the_plan_it_describes() {
    let (_, plan) = outcome_of("good");
    let plan = plan.expect("it is good");
    let (_, mill) = plan.machine("mill").expect("declared");
    assert_eq!(mill.title, "Bench mill");
    assert_eq!(mill.outlet.order.as_ref().map(|order| order.expiry.millis()), Some(2_000));
    assert_eq!(mill.outlet.power_signal, Some(SignalIx(0)));
    assert_eq!(mill.policy.window.millis(), 12_000, "the shop's default");
    assert_eq!(mill.policy.notice.millis(), 45_000, "the machine's own");
    assert_eq!(mill.detectors[0].signals, [Some(SignalIx(0))]);
    assert_eq!(
        mill.detectors[0].settings,
        json!({ "busy_watts": 40, "quiet_watts": 35.5, "dwell": "3 min" })
    );
    let (_, button) = plan.input("bench-button").expect("declared");
    assert_eq!(button.machines, [MachineIx(0)]);
    assert_eq!(button.gestures.len(), 2);
    assert!(button.rights.may_force && !button.rights.emergency);
}

#[test]
fn all_machines_are_all_that_an_input_or_a_group_can_switch() {
    let (_, plan) = outcome_of("watched-left-out");
    let plan = plan.expect("it is good");
    let names = |machines: &[MachineIx]| -> Vec<&str> {
        machines.iter().map(|machine| plan.machines[*machine].name.as_str()).collect()
    };
    let of = |input: &str| names(&plan.input(input).expect("declared").1.machines);
    assert_eq!(of("red-button"), ["freezer", "mill"], "what is never off only because it says so");
    assert_eq!(of("smoke"), ["furnace", "kiln", "mill"]);
    assert_eq!(of("night"), ["mill"]);
    assert_eq!(of("bench-button"), ["freezer", "mill"]);
    assert_eq!(of("console"), ["freezer", "furnace", "kiln", "mill"]);
    assert_eq!(names(&plan.groups[0].machines), ["mill"]);
}

/// kiln-2.toml stands before kiln.toml in a folder, and kiln before kiln-2 among names.
#[test]
fn machines_are_found_by_name_however_their_files_are_sorted() {
    let dir = set_up("good");
    let machines = dir.path().join("machines");
    let mill = fs::read_to_string(machines.join("mill.toml")).expect("the base has a mill");
    fs::write(machines.join("mill-2.toml"), mill.replace("bench-1", "bench-2")).expect("written");
    let inputs = dir.path().join("inputs.toml");
    let all = fs::read_to_string(&inputs).expect("the base has inputs").replace("[\"mill\"]", "\"all\"");
    fs::write(&inputs, all).expect("written");
    let plan = compile(&load(dir.path()), &around()).expect("it is good").plan;
    assert!(
        plan.is_in_order(),
        "{:?}",
        plan.machines.iter().map(|machine| &machine.name).collect::<Vec<_>>()
    );
    for (name, order) in [("mill", "outlets/bench-1/order"), ("mill-2", "outlets/bench-2/order")] {
        let (index, machine) = plan.machine(name).expect("declared");
        assert_eq!((plan.machines[index].name.as_str(), machine.order_topic()), (name, Some(order)));
    }
    assert!(plan.machine("mill-1").is_none());
}

#[test]
fn an_input_that_names_its_machine_knows_it_by_name_title_and_aliases_and_defers_unless_told() {
    let (problems, plan) = outcome_of("voice-good");
    assert!(problems.is_empty(), "{problems:?}");
    let plan = plan.expect("it can be used");
    let (_, voice) = plan.input("hall-voice").unwrap();
    let InputSource::Topic { named: Some(words), .. } = &voice.source else { panic!("{voice:?}") };
    assert_eq!(words.path, ValuePath::JsonPointer("/thing".to_owned()));
    let known: Vec<&str> = words.words.iter().map(|(word, _)| word.as_str()).collect();
    assert_eq!(known, ["the big mill", "Fräse", "mill", "Bench mill"]);
    assert_eq!(voice.rights.when_busy, WhenBusy::Defer);
    assert_eq!(
        voice.hours.as_ref().unwrap().to_string(),
        "mon-fri 07:00-22:00, sat 9:00-18:00 (Europe/Berlin)"
    );
    let (_, panel) = plan.input("wall-panel").unwrap();
    assert_eq!(panel.rights.when_busy, WhenBusy::Hold);
    assert_eq!(panel.hours, None);
}

#[test]
fn a_password_never_shows_whatever_else_is_wrong_on_its_line() {
    let shop = "broker = { hots = 1, password = \"canary-7\" , port = \"x\" }\n";
    for text in [
        shop,
        "[broker]\npassword = \"canary-7\nx",
        "[broker]\npassword = 'canary-7'\n",
        "password=\"canary-7",
    ] {
        let folder = Folder::from_texts(Path::new("/nowhere"), [("shop.toml", text)]);
        let problems = compile(&folder, &around()).expect_err("it is wrong");
        for problem in problems {
            let shown = format!("{}{}{problem:?}", problem.render(), problem.to_json());
            assert!(!shown.contains("canary"), "{shown}");
        }
    }
}

#[test]
fn what_the_help_repeats_of_the_rules_is_escaped() {
    let machine = "[signals.power]\ntopic = \"a\"\npointer = \"\\u001b[2J\\u202e\"\n";
    let folder = Folder::from_texts(Path::new("/nowhere"), [("machines/mill.toml", machine)]);
    let problems = compile(&folder, &around()).expect_err("it is no pointer");
    let problem = problems.iter().find(|problem| problem.code == Code::BadPointer).expect("it is told");
    let help = problem.help.as_deref().expect("and what to write instead");
    assert!(!help.contains(['\u{1b}', '\u{202e}']), "{help:?}");
}

#[test]
fn depth_is_no_weapon() {
    let deep = [
        format!("x = {}{}", "[".repeat(50_000), "]".repeat(50_000)),
        format!("x = {}", "{a=".repeat(50_000)),
        format!("{}x = 1", "a.".repeat(50_000)),
        format!("[{}x]\ny = 1", "a.".repeat(50_000)),
        format!("[[detectors]]\nuse = \"power-threshold\"\nsettings.{}x = 1", "a.".repeat(50_000)),
        "a = 1\n".repeat(20_000),
        "[[detectors]]\nuse = 1\n".repeat(5_000),
    ];
    for text in deep {
        let folder = Folder::from_texts(Path::new("/nowhere"), [("machines/mill.toml", text.as_str())]);
        let problems = compile(&folder, &around()).expect_err("it is no rule");
        assert!(problems.len() <= 1_000);
    }
}

fn checked(case: &str, json: bool) -> (CheckOutcome, String) {
    let dir = set_up(case);
    let mut out = Vec::new();
    let outcome = check(dir.path(), &Shelf, json, &mut out).expect("written");
    (outcome, String::from_utf8(out).expect("UTF-8"))
}

#[test]
fn a_check_ends_with_a_summary_and_speaks_json_to_scripts() {
    assert_eq!(
        checked("good", false),
        (CheckOutcome::Usable, "the rules are good: 1 machine and 1 input\n".to_owned())
    );
    let (outcome, text) = checked("odd-window", false);
    assert_eq!(outcome, CheckOutcome::Usable);
    assert!(text.ends_with("the rules can be used: 1 machine and 1 input, 1 warning\n"), "{text}");
    let (outcome, text) = checked("bad-duration", false);
    assert_eq!(outcome, CheckOutcome::Broken);
    assert!(text.contains("the rules cannot be used: 2 errors, 0 warnings"), "{text}");

    let (outcome, text) = checked("unknown-name", true);
    assert_eq!(outcome, CheckOutcome::Broken);
    let report: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(report["usable"], false);
    let problem = &report["problems"][0];
    assert_eq!(problem["code"], "unknown-name");
    assert_eq!((&problem["line"], &problem["column"], &problem["width"]), (&json!(6), &json!(9), &json!(6)));
    assert_eq!(problem["help"], "did you mean \"power\"?");
}

struct Vault(Severity);

impl SecretSource for Vault {
    fn env(&self, name: &str) -> Result<Secret, SecretTrouble> {
        if name == "HELD" {
            Ok(Secret::new("canary-7".to_owned()))
        } else {
            Err(SecretTrouble::Missing("no".to_owned()))
        }
    }
    fn file(&self, _: &Path) -> Result<Secret, SecretTrouble> {
        Err(SecretTrouble::Missing("no".to_owned()))
    }
    fn credential(&self, _: &str) -> Result<Secret, SecretTrouble> {
        Err(SecretTrouble::Missing("no".to_owned()))
    }
    fn when_missing(&self) -> Severity {
        self.0
    }
}

#[test]
fn a_missing_secret_stops_the_service_and_only_worries_the_check() {
    let machine = fs::read_to_string(cases_dir().join("base/machines/mill.toml")).expect("the base");
    let with = |name: &str, severity| {
        let shop = format!("[broker]\nhost = \"h\"\nuser = \"u\"\npassword = {{ env = \"{name}\" }}\n");
        let texts = [("shop.toml", shop.as_str()), ("machines/mill.toml", machine.as_str())];
        let folder = Folder::from_texts(Path::new("/nowhere"), texts);
        compile(&folder, &Surroundings { detectors: &Shelf, secrets: &Vault(severity) })
    };
    let plan = with("HELD", Severity::Error).expect("it is there").plan;
    let login = plan.shop.broker.login.clone().expect("a login");
    assert_eq!(login.password.expose(), "canary-7");
    assert!(!format!("{plan:?}").contains("canary"));
    assert!(with("GONE", Severity::Error).is_err());
    let checked = with("GONE", Severity::Warning).expect("a warning is no error");
    assert!(checked.warnings.iter().any(|problem| problem.code == Code::SecretMissing));
}

/// Pieces of rules, so that random texts get past the parser and into every check.
fn piece() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("[outlet]\n".to_owned()),
        Just("[signals.power]\n".to_owned()),
        Just("[[detectors]]\n".to_owned()),
        Just("[broker]\n".to_owned()),
        Just("[inputs.a]\n".to_owned()),
        Just("[inputs.a.gestures]\n".to_owned()),
        Just("[guard]\n".to_owned()),
        Just("[announcements]\n".to_owned()),
        (key(), value()).prop_map(|(key, value)| format!("{key} = {value}\n")),
        (key(), key(), value()).prop_map(|(key, inner, value)| format!("{key} = {{ {inner} = {value} }}\n")),
        (key(), key(), value()).prop_map(|(key, inner, value)| format!("{key}.{inner} = {value}\n")),
        ".{0,12}\n",
    ]
}

fn key() -> impl Strategy<Value = String> {
    let keys = [
        "host",
        "port",
        "user",
        "password",
        "window",
        "tries",
        "state",
        "order",
        "topic",
        "pointer",
        "senml",
        "on",
        "off",
        "power",
        "unit",
        "scale",
        "plausible",
        "decimal",
        "values",
        "stale_after",
        "kind",
        "use",
        "file",
        "sha256",
        "settings",
        "signals",
        "machines",
        "gestures",
        "words",
        "request",
        "held",
        "env",
        "busy_watts",
        "expiry",
        "\"ü\"",
        "\"\"",
    ];
    proptest::sample::select(keys.to_vec()).prop_map(str::to_owned)
}

fn value() -> impl Strategy<Value = String> {
    let values = [
        "1",
        "-1",
        "1.5",
        "nan",
        "-inf",
        "1e400",
        "true",
        "\"10s\"",
        "\"\"",
        "\"a/+/#\"",
        "\"#\"",
        "\"/a~\"",
        "\"power\"",
        "\"power-threshold\"",
        "\"../x.wasm\"",
        "\"{machine} {\"",
        "[]",
        "[1, 2]",
        "[\"a\"]",
        "{}",
        "1979-05-27",
        "\"\\u0000\"",
        "9223372036854775807",
        "0xff",
        "\"all\"",
        "\"force-off\"",
        "[[1]]",
        "{ topic = \"a\", on = 1, off = 1 }",
    ];
    prop_oneof![proptest::sample::select(values.to_vec()).prop_map(str::to_owned), "\"\\PC{0,20}\""]
}

/// A failing case belongs into a test of its own, not into a file beside this one.
fn fuzzing() -> ProptestConfig {
    ProptestConfig { failure_persistence: None, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(fuzzing())]

    #[test]
    fn no_text_panics_and_every_refusal_says_why(
        shop in proptest::collection::vec(piece(), 0..8),
        machine in proptest::collection::vec(piece(), 0..12),
        inputs in proptest::collection::vec(piece(), 0..8),
    ) {
        let (shop, machine, inputs) = (shop.concat(), machine.concat(), inputs.concat());
        let texts = [("shop.toml", &*shop), ("machines/mill.toml", &*machine), ("inputs.toml", &*inputs)];
        let folder = Folder::from_texts(Path::new("/nowhere"), texts);
        match compile(&folder, &around()) {
            Ok(compiled) => prop_assert!(compiled.warnings.iter().all(|problem| !problem.is_error())),
            Err(problems) => {
                prop_assert!(problems.iter().any(Problem::is_error));
                for problem in problems {
                    let text = problem.render();
                    prop_assert!(!text.replace('\n', "").contains(char::is_control), "{text:?}");
                }
            }
        }
    }

    #[test]
    fn a_good_folder_with_one_damaged_byte_never_panics(at in any::<prop::sample::Index>(), byte in 0u8..128, which in 0usize..3) {
        let paths = ["shop.toml", "machines/mill.toml", "inputs.toml"];
        let texts: Vec<String> = paths
            .iter()
            .enumerate()
            .map(|(index, path)| {
                let mut text = fs::read(cases_dir().join("base").join(path)).expect("the base");
                if index == which {
                    let at = at.index(text.len());
                    text[at] = byte;
                }
                String::from_utf8_lossy(&text).into_owned()
            })
            .collect();
        let folder = Folder::from_texts(Path::new("/nowhere"), paths.iter().copied().zip(texts.iter().map(String::as_str)));
        let _ = compile(&folder, &around());
    }
}

/// What people copy from the page has to work, all of it together.
#[test]
fn what_the_page_on_running_it_shows_can_be_used() {
    let page = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("OPERATING.md")).unwrap();
    let blocks = |file: &str| {
        let begin = format!("```toml\n# {file}\n");
        let blocks = page.split(&begin).skip(1).map(|rest| rest.split("```").next().unwrap());
        blocks.collect::<Vec<_>>().join("\n")
    };
    let (shop, inputs) = (blocks("shop.toml"), blocks("inputs.toml"));
    assert!(inputs.matches("[inputs.").count() > 6 && !shop.is_empty());
    let mill = include_str!("rules/base/machines/mill.toml");
    let [laser, printer] = ["bench-2", "bench-3"].map(|bench| mill.replace("bench-1", bench));
    let texts = [
        ("shop.toml", shop.as_str()),
        ("inputs.toml", &inputs),
        ("machines/filament-printer.toml", &printer),
        ("machines/laser-cutter.toml", &laser),
        ("machines/mill.toml", mill),
    ];
    let folder = Folder::from_texts(Path::new("shop"), texts);
    let around = Surroundings { detectors: &Shelf, secrets: &SystemSecrets::CHECK };
    let plan = compile(&folder, &around).unwrap_or_else(|problems| {
        panic!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
    });
    let told = plan.warnings.iter().map(Problem::told).collect::<Vec<_>>();
    let expected = ["secret-missing", "missing-tls-file"];
    assert!(plan.warnings.iter().all(|it| expected.contains(&it.code.word())), "{told:?}");
}
