//! The program as a stranger or a script meets it: what it prints, and its exit codes.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output};
use std::time::{Duration, Instant};

fn idlegate(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_idlegate")).args(arguments).output().unwrap()
}

fn exit(arguments: &[&str]) -> (Option<i32>, String) {
    let output = idlegate(arguments);
    let text = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    (output.status.code(), text.into_owned())
}

fn example() -> String {
    concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/workshop").to_owned()
}

/// A loopback port where nobody listens: it was free a moment ago.
fn dead_port() -> u16 {
    std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap().port()
}

/// New rules whose broker is away.
fn rules_in(dir: &Path) -> PathBuf {
    let rules = dir.join("rules");
    exit(&["new-rules", rules.to_str().unwrap()]);
    let shop = rules.join("shop.toml");
    let text = std::fs::read_to_string(&shop).unwrap();
    std::fs::write(&shop, text.replace("port = 1883", &format!("port = {}", dead_port()))).unwrap();
    rules
}

#[test]
fn help_is_no_mistake_and_a_wrong_word_is() {
    let (code, text) = exit(&["--help"]);
    assert_eq!(code, Some(0));
    assert!(
        text.contains("not an emergency stop") && text.contains("78  the rules cannot be used"),
        "{text}"
    );
    assert_eq!(exit(&[]).0, Some(64));
    assert_eq!(exit(&["gard"]).0, Some(64));
}

#[test]
fn a_check_of_the_example_counts_its_machines_its_group_and_its_inputs() {
    let example = example();
    let (code, text) = exit(&["check", &example]);
    assert_eq!((code, text.trim()), (Some(0), "the rules are good: 5 machines, 1 group and 5 inputs"));
    let (code, text) = exit(&["check", "--json", &example]);
    let report: serde_json::Value = serde_json::from_str(&text).unwrap();
    let counted = ["machines", "groups", "inputs"].map(|what| report[what].as_u64());
    assert_eq!((code, counted), (Some(0), [Some(5), Some(1), Some(5)]));
}

#[test]
fn the_folder_to_begin_with_can_be_used_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let rules = dir.path().join("rules");
    let rules = rules.to_str().unwrap();
    assert_eq!(exit(&["new-rules", rules]).0, Some(0));
    let (code, text) = exit(&["check", rules]);
    assert_eq!((code, text.trim()), (Some(0), "the rules are good: 1 machine and 2 inputs"));
    assert_eq!(exit(&["new-rules", rules]).0, Some(1), "nothing is overwritten");
}

#[test]
fn the_example_can_be_used_with_the_real_detectors() {
    let (code, text) = exit(&["check", &example()]);
    assert_eq!(code, Some(0), "{text}");
}

#[test]
fn broken_rules_are_told_with_their_place_and_are_not_run() {
    let dir = tempfile::tempdir().unwrap();
    let rules = dir.path().join("rules");
    let shown = rules.to_str().unwrap();
    exit(&["new-rules", shown]);
    let machine = rules.join("machines/filament-printer.toml");
    let text = std::fs::read_to_string(&machine).unwrap();
    std::fs::write(&machine, text.replace("busy_watts = 40", "busy_watts = \"forty\"")).unwrap();
    for command in ["check", "run"] {
        let (code, text) = exit(&[command, shown]);
        assert_eq!(code, Some(78), "{text}");
        assert!(text.contains("machines/filament-printer.toml:28:"), "{text}");
    }
    let output = idlegate(&["check", shown, "--json"]);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((&report["usable"], &report["problems"][0]["code"]), (&false.into(), &"bad-setting".into()));
}

#[test]
fn the_next_firings_are_shown_as_the_clock_there_will_show_them() {
    let dir = tempfile::tempdir().unwrap();
    let rules = dir.path().join("rules");
    let shown = rules.to_str().unwrap();
    exit(&["new-rules", shown]);
    let (code, text) = exit(&["check", shown, "--next", "2"]);
    assert!(code == Some(0) && text.contains("no schedule is declared"), "{text}");
    let inputs = std::fs::read_to_string(rules.join("inputs.toml")).unwrap();
    let schedule = r#"schedule = { cron = "30 22 * * 1-5", zone = "Asia/Kathmandu", request = "off" }"#;
    std::fs::write(
        rules.join("inputs.toml"),
        format!("{inputs}\n[inputs.evening]\nmachines = \"all\"\n{schedule}\n"),
    )
    .unwrap();
    let (code, text) = exit(&["check", shown, "--next", "7"]);
    let firings: Vec<&str> = text.lines().filter(|line| line.ends_with("22:30 +0545")).collect();
    assert!(code == Some(0) && firings.len() == 7, "{text}");
    assert!(firings.iter().all(|line| !line.contains("Sat") && !line.contains("Sun")), "{text}");
    assert_eq!(exit(&["check", shown, "--next", "0"]).0, Some(64));
}

#[test]
fn a_code_can_be_explained_and_an_unknown_one_is_told_the_known() {
    assert_eq!(exit(&["check", "--explain", "short-dwell"]).0, Some(0));
    let (code, text) = exit(&["check", "--explain", "no-such"]);
    assert_eq!(code, Some(64));
    assert!(text.contains("short-dwell"), "{text}");
}

#[test]
fn a_request_is_looked_over_before_it_is_sent() {
    let rules = example();
    let asks = |rest: &[&str]| {
        let port = dead_port().to_string();
        let mut arguments = vec!["request", "--rules", &rules, "--port", &port];
        arguments.extend_from_slice(rest);
        exit(&arguments)
    };
    assert_eq!(asks(&["mil", "off"]).0, Some(64));
    assert_eq!(asks(&["mill", "of"]).0, Some(64));
    assert_eq!(asks(&["--as", "bench-button", "mill", "off"]).0, Some(64));
    let (code, text) = asks(&["mill", "off"]);
    assert_eq!(code, Some(69), "{text}");
    assert!(text.contains("cannot be used"), "{text}");
}

#[test]
fn a_guard_without_a_broker_waits_and_stops_when_told_to() {
    let dir = tempfile::tempdir().unwrap();
    let rules = rules_in(dir.path());
    let state = dir.path().join("state");
    let mut guard = Command::new(env!("CARGO_BIN_EXE_idlegate"))
        .arg("run")
        .arg(&rules)
        .arg("--state-dir")
        .arg(&state)
        .spawn()
        .unwrap();
    wait_for(|| has_record_of_start(&state));
    assert_eq!(guard.try_wait().unwrap(), None, "it waits for its broker");
    Command::new("kill").arg(guard.id().to_string()).status().unwrap();
    wait_for(|| guard.try_wait().unwrap().is_some());
    assert_eq!(guard.wait().unwrap().code(), Some(0));
}

/// A guard whose broker is away, in a state folder of its own.
fn guard_of(rules: &Path, state: &Path) -> std::process::Child {
    let mut guard = Command::new(env!("CARGO_BIN_EXE_idlegate"));
    guard.arg("run").arg(rules).arg("--state-dir").arg(state).spawn().unwrap()
}

/// The outcomes of looking at the rules, oldest first.
fn reloads(state: &Path) -> Vec<String> {
    let Ok(reader) = idlegate_journal::JournalReader::open(&state.join("journal.sqlite")) else {
        return Vec::new();
    };
    let found = reader.last(20, &idlegate_journal::Query::default()).unwrap_or_default();
    let reloads = found.iter().filter(|row| row.kind() == Some(idlegate_journal::RecordKind::Reload));
    let outcome = |row: &idlegate_journal::Found| -> (i64, String) {
        let body: serde_json::Value = serde_json::from_str(&row.body).unwrap();
        (row.seq, body["outcome"].as_str().unwrap().to_owned())
    };
    let mut outcomes: Vec<_> = reloads.map(outcome).collect();
    outcomes.sort();
    outcomes.into_iter().map(|(_, outcome)| outcome).collect()
}

#[test]
fn a_start_with_broken_rules_guards_by_the_last_good_ones_and_a_hangup_asks_for_a_look() {
    let dir = tempfile::tempdir().unwrap();
    let (rules, state) = (rules_in(dir.path()), dir.path().join("state"));
    let shop = rules.join("shop.toml");
    let good = std::fs::read_to_string(&shop).unwrap();
    let hangup = |guard: &std::process::Child| {
        Command::new("kill").arg("-HUP").arg(guard.id().to_string()).status().unwrap()
    };

    let mut first = guard_of(&rules, &state);
    wait_for(|| state.join("last-good-rules/shop.toml").is_file());
    hangup(&first);
    wait_for(|| reloads(&state) == ["unchanged"]);
    Command::new("kill").arg(first.id().to_string()).status().unwrap();
    assert_eq!(first.wait().unwrap().code(), Some(0));

    std::fs::write(&shop, "title = \"Half").unwrap();
    let mut second = guard_of(&rules, &state);
    wait_for(|| reloads(&state) == ["unchanged", "kept-old"]);
    assert_eq!(second.try_wait().unwrap(), None);
    // In one piece, as editors save: a look at a half-written file would be an outcome of its own.
    let whole = dir.path().join("shop.whole");
    std::fs::write(&whole, &good).unwrap();
    std::fs::rename(&whole, &shop).unwrap();
    wait_for(|| reloads(&state) == ["unchanged", "kept-old", "unchanged"]);
    Command::new("kill").arg(second.id().to_string()).status().unwrap();
    assert_eq!(second.wait().unwrap().code(), Some(0));
}

#[test]
fn rules_that_were_in_force_before_are_listed_shown_and_restored_under_a_working_guard() {
    let dir = tempfile::tempdir().unwrap();
    let (rules, state) = (rules_in(dir.path()), dir.path().join("state"));
    let [shown_rules, shown_state] = [&rules, &state].map(|path| path.to_str().unwrap());
    let (code, text) = exit(&["rules", "log", "--state-dir", shown_state]);
    assert!(code == Some(1) && text.contains("has it run yet"), "{text}");
    let log = || -> Vec<serde_json::Value> {
        let output = idlegate(&["rules", "log", "--json", "--state-dir", shown_state]);
        let lines = String::from_utf8(output.stdout).unwrap();
        lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    };
    let save = |name: &str, text: &str| {
        let beside = rules.join("beside");
        std::fs::write(&beside, text).unwrap();
        std::fs::rename(&beside, rules.join(name)).unwrap();
    };
    let mut guard = guard_of(&rules, &state);
    wait_for(|| log().len() == 1);
    let machine = std::fs::read_to_string(rules.join("machines/filament-printer.toml")).unwrap();
    save("machines/filament-printer.toml", &machine.replace("busy_watts = 40", "busy_watts = 45"));
    wait_for(|| reloads(&state) == ["applied"]);
    wait_for(|| log().len() == 2);
    let first = log()[1]["digest"].as_str().unwrap()[..12].to_owned();
    let (_, told) = exit(&["rules", "log", "--state-dir", shown_state]);
    assert!(told.contains("busy_watts was 40, is 45") && told.contains("the latest in force"), "{told}");
    let broker = exit(&["rules", "show", &first, "shop.toml", "--state-dir", shown_state]).1;
    assert!(broker.contains("host = …") && broker.contains("title = "), "{broker}");

    save("inputs.toml", "[inputs");
    wait_for(|| reloads(&state) == ["applied", "kept-old"]);
    let restore = |more: &[&str]| {
        let arguments = ["rules", "restore", &first, shown_rules, "--state-dir", shown_state];
        exit(&[&arguments[..], more].concat())
    };
    let (code, text) = restore(&[]);
    assert!(
        code == Some(1) && text.contains("inputs: changed") && text.contains("Nothing was written"),
        "{text}"
    );
    let (code, text) = restore(&["--replace-changes"]);
    assert!(code == Some(0) && text.contains("written: machines/filament-printer.toml"), "{text}");
    wait_for(|| reloads(&state) == ["applied", "kept-old", "applied"]);
    wait_for(|| log().len() == 4);
    let accepted: Vec<_> = log().iter().map(|rules| rules["accepted"].clone()).collect();
    assert_eq!(accepted, [true, false, true, true]);
    assert!(log()[0]["latest_in_force"] == true && log()[0]["digest"].as_str().unwrap().starts_with(&first));
    assert_eq!(std::fs::read_to_string(rules.join("machines/filament-printer.toml")).unwrap(), machine);
    Command::new("kill").arg(guard.id().to_string()).status().unwrap();
    assert_eq!(guard.wait().unwrap().code(), Some(0));
}

#[test]
fn what_a_change_would_do_is_told_before_it_is_made() {
    let dir = tempfile::tempdir().unwrap();
    let [old, new] = ["old", "new"].map(|name| dir.path().join(name).to_str().unwrap().to_owned());
    exit(&["new-rules", &old]);
    exit(&["new-rules", &new]);
    assert_eq!(exit(&["check", &new, "--in-force", &old]), (Some(0), "nothing would change\n".to_owned()));
    let machine = Path::new(&new).join("machines/filament-printer.toml");
    let text = std::fs::read_to_string(&machine).unwrap();
    std::fs::write(&machine, text.replace("busy_watts = 40", "busy_watts = 45")).unwrap();
    let shop = Path::new(&new).join("shop.toml");
    let text = std::fs::read_to_string(&shop).unwrap();
    std::fs::write(&shop, text.replace("shadow = true", "shadow = false")).unwrap();
    let (code, told) = exit(&["check", &new, "--in-force", &old]);
    assert_eq!(code, Some(0));
    assert!(told.contains("detector power-threshold starts over"), "{told}");
    assert!(told.contains("from now on it is really switched") && !told.contains("input"), "{told}");
    std::fs::write(&shop, "title = ").unwrap();
    assert_eq!(exit(&["check", &new, "--in-force", &old]).0, Some(78));
}

#[test]
fn every_kind_of_rules_file_has_a_schema_for_editors() {
    for file in ["shop", "machine", "inputs"] {
        let output = idlegate(&["check", "--schema", file]);
        assert_eq!(output.status.code(), Some(0));
        let schema: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(schema["properties"].is_object(), "{schema}");
    }
    assert_eq!(exit(&["check", "--schema", "shed"]).0, Some(64));
}

fn has_record_of_start(state: &Path) -> bool {
    let Ok(reader) = idlegate_journal::JournalReader::open(&state.join("journal.sqlite")) else {
        return false;
    };
    let found = reader.last(10, &idlegate_journal::Query::default());
    found.is_ok_and(|found| found.iter().any(|row| row.kind() == Some(idlegate_journal::RecordKind::Start)))
}

fn wait_for(mut condition: impl FnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(60);
    while !condition() {
        assert!(Instant::now() < deadline, "waited for a minute");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A machine that idles at 4 W and works at 200 W for ten minutes, once with a pause.
fn recorded_day(folder: &Path) -> String {
    use std::io::Write as _;
    let path = folder.join("day.csv");
    let mut file = std::fs::File::create(&path).unwrap();
    writeln!(file, "time,watts").unwrap();
    for second in (0..6_000).step_by(2) {
        let working = (1_800..2_400).contains(&second) && !(2_000..2_040).contains(&second);
        let (hour, minute) = (8 + second / 3_600, second / 60 % 60);
        let watts = if working { 200 } else { 4 };
        writeln!(file, "2026-11-25T{hour:02}:{minute:02}:{:02}Z,{watts}", second % 60).unwrap();
    }
    path.to_str().unwrap().to_owned()
}

#[test]
fn what_calibrate_proposes_and_writes_replay_can_use() {
    let dir = tempfile::tempdir().unwrap();
    let (day, machine) = (recorded_day(dir.path()), dir.path().join("mill.toml"));
    let machine = machine.to_str().unwrap();
    let job = "2026-11-25T08:30:00Z/2026-11-25T08:39:58Z";
    let output = idlegate(&["calibrate", &day, "--job", job, "--json", "--write", machine]);
    assert_eq!(output.status.code(), Some(0));
    let proposal: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let level = proposal["quiet_watts"].as_f64().unwrap();
    assert!(4.0 < level && level < 200.0, "{proposal}");
    assert_eq!(proposal["evidence"]["longest_pause_seconds"], 40.0);
    assert_eq!(proposal["jobs_found"], false);

    let jobs = dir.path().join("jobs.csv");
    let row = "2026-11-25T08:30:00Z,2026-11-25T08:39:58Z,598";
    std::fs::write(&jobs, format!("recording,start,end,seconds\nday.csv,{row}\nother.csv,{row}\n")).unwrap();
    let jobs = jobs.to_str().unwrap();
    let replay =
        ["replay", &day, "--rules", machine, "--json", "--probe", "off", "--every", "10s", "--jobs", jobs];
    let output = idlegate(&replay);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let lines: Vec<serde_json::Value> = String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let busy = lines.iter().find(|line| line["state"] == "busy").unwrap();
    assert_eq!((&busy["at"], &busy["machine"]), (&"2026-11-25T08:30:00.000Z".into(), &"mill".into()));
    assert!(busy["reason"].as_str().unwrap().contains("200 W"), "{busy}");
    let sum = lines.last().unwrap();
    assert_eq!((&sum["jobs"], &sum["jobs_hit"], &sum["asked"]), (&1.into(), &0.into(), &600.into()), "{sum}");
}

/// Eight days of a heater with a thermostat, a file a day, and one day on which its contactor welds.
fn recorded_week(dir: &std::path::Path) -> Vec<String> {
    use std::io::Write as _;
    let day = |day: i32| {
        let path = dir.join(format!("day-{day}.csv"));
        let mut file = std::fs::File::create(&path).unwrap();
        writeln!(file, "time,watts").unwrap();
        for second in (0..8 * 3_600).step_by(10) {
            let heats = (3_600..12_000 + day * 60).contains(&second) && second % 600 < 270 + day % 3 * 10;
            let welded = day == 8 && second >= 7_200;
            let watts = if heats || welded { 2_000 + day * 5 } else { 4 };
            let (hour, minute) = (8 + second / 3_600, second / 60 % 60);
            writeln!(file, "2026-11-{:02}T{hour:02}:{minute:02}:{:02}Z,{watts}", day + 2, second % 60)
                .unwrap();
        }
        path.to_str().unwrap().to_owned()
    };
    (0..9).map(day).collect()
}

#[test]
fn what_calibrate_finds_unusual_is_checked_and_warns_on_another_day() {
    let dir = tempfile::tempdir().unwrap();
    let rules = dir.path().join("rules");
    assert_eq!(exit(&["new-rules", rules.to_str().unwrap()]).0, Some(0));
    let machine = rules.join("machines/filament-printer.toml");
    let days = recorded_week(dir.path());
    let mut args = vec!["calibrate", "--unusual", "--json", "--write", machine.to_str().unwrap()];
    args.extend(days[..8].iter().map(String::as_str));
    let output = idlegate(&args);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let learned: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let settings = &learned["settings"];
    assert_eq!(
        (&settings["on_longest"], &settings["highest_watts"]),
        (&"4 min 40 s".into(), &2_035.0.into())
    );
    assert_eq!(
        (&settings["draws_within"], &learned["lessons"][4]["on"]),
        (&serde_json::Value::Null, &false.into())
    );
    let (code, text) = exit(&["check", rules.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{text}");

    let settings = serde_json::to_string(settings).unwrap();
    let (code, text) =
        exit(&["detector", "try", "unusual-draw", "--recording", &days[8], "--settings", &settings]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("without a pause for 7 min; never more than 4 min 40 s before"), "{text}");
}

#[test]
fn two_days_are_not_enough_to_say_what_is_unusual() {
    let dir = tempfile::tempdir().unwrap();
    let days = recorded_week(dir.path());
    let (code, text) = exit(&["calibrate", "--unusual", &days[0], &days[1]]);
    assert_eq!(code, Some(1), "{text}");
    assert!(
        text.contains("off: on for longer than ever: 2 days tell too little; a week of work tells enough"),
        "{text}"
    );
    assert!(!text.contains("[[detectors]]"), "{text}");
    assert_eq!(exit(&["calibrate", "--unusual", &days[0], "--svg", "x.svg"]).0, Some(64));
}

#[test]
fn recordings_that_tell_nothing_are_refused_in_words() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("flat.csv");
    std::fs::write(&path, "time,watts\n2026-11-25T08:00:00Z,4\n2026-11-25T08:10:00Z,4\n").unwrap();
    let (code, text) = exit(&["calibrate", path.to_str().unwrap()]);
    assert_eq!(code, Some(1));
    assert!(text.contains("--job START/END"), "{text}");
    let (code, text) = exit(&["calibrate", path.to_str().unwrap(), "--job", "8 to 9"]);
    assert_eq!(code, Some(64));
    assert!(text.contains("ISO 8601"), "{text}");
    let (code, text) = exit(&["calibrate", "nowhere.csv"]);
    assert_eq!((code, text.contains("nowhere.csv")), (Some(1), true), "{text}");
    assert_eq!(exit(&["replay"]).0, Some(64));
}

/// A program that thinks that a service manager started it. The messages are those of sd_notify(3) in systemd's manual.
struct Supervised {
    _dir: tempfile::TempDir,
    rules: PathBuf,
    socket: UnixDatagram,
    guard: Child,
}

impl Supervised {
    fn start(more: &[&str]) -> Supervised {
        let dir = tempfile::tempdir().unwrap();
        let rules = rules_in(dir.path());
        let path = dir.path().join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        let mut guard = Command::new(env!("CARGO_BIN_EXE_idlegate"));
        guard.arg("run").arg(&rules).arg("--state-dir").arg(dir.path().join("state")).args(more);
        let guard = guard.env("NOTIFY_SOCKET", &path).spawn().unwrap();
        Supervised { _dir: dir, rules, socket, guard }
    }

    /// The next message with this line in it.
    fn tells(&self, wanted: &str) -> String {
        let until = Instant::now() + Duration::from_secs(60);
        let mut buffer = [0; 1024];
        loop {
            // The watchdog is fed all the while.
            let left = until.saturating_duration_since(Instant::now()).max(Duration::from_millis(1));
            self.socket.set_read_timeout(Some(left)).unwrap();
            let length = self.socket.recv(&mut buffer).expect(wanted);
            let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
            if text.lines().any(|line| line == wanted) {
                return text;
            }
            assert!(Instant::now() < until, "{wanted} does not come");
        }
    }

    fn signal(&self, signal: &str) {
        assert!(
            Command::new("kill").arg(signal).arg(self.guard.id().to_string()).status().unwrap().success()
        );
    }

    fn reloads(&self) {
        self.signal("-HUP");
        assert!(
            self.tells("RELOADING=1").contains("MONOTONIC_USEC="),
            "systemd 253 and later want it in the same message"
        );
        self.tells("READY=1");
    }

    fn ends(mut self) {
        self.signal("-TERM");
        assert_eq!(self.guard.wait().unwrap().code(), Some(0));
    }
}

impl Drop for Supervised {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.guard.kill();
        let _ = self.guard.wait();
    }
}

#[test]
fn the_service_manager_is_told_of_every_step() {
    let guard = Supervised::start(&[]);
    guard.tells("READY=1");
    guard.tells("WATCHDOG=1");
    guard.reloads();
    guard.signal("-TERM");
    guard.tells("STOPPING=1");
    guard.ends();
}

#[test]
fn one_that_stands_by_looks_at_its_rules_when_it_is_told_to() {
    let guard = Supervised::start(&["--stand-by", "left"]);
    guard.tells("READY=1");
    guard.reloads();
    guard.ends();
}

#[test]
fn a_reload_of_broken_rules_has_an_end_each_time() {
    let guard = Supervised::start(&[]);
    guard.tells("READY=1");
    std::fs::write(guard.rules.join("shop.toml"), "[").unwrap();
    // It looks by itself, and then whenever it is told to.
    guard.tells("RELOADING=1");
    guard.tells("READY=1");
    guard.reloads();
    guard.ends();
}

#[test]
fn every_command_has_a_manual_page_and_completions_know_it() {
    let dir = tempfile::tempdir().unwrap();
    let (code, text) = exit(&["pages", &dir.path().display().to_string()]);
    assert_eq!(code, Some(0), "{text}");
    let (_, help) = exit(&["--help"]);
    let read = |path: &str| std::fs::read_to_string(dir.path().join(path)).unwrap();
    let completions = [
        read("bash-completion/completions/idlegate"),
        read("zsh/vendor-completions/_idlegate"),
        read("fish/vendor_completions.d/idlegate.fish"),
    ];
    let commands =
        help.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    let names: Vec<&str> =
        commands.filter_map(|line| line.split_whitespace().next()).filter(|name| *name != "help").collect();
    assert!(names.len() > 10, "{help}");
    for name in names {
        assert!(read(&format!("man/man1/idlegate-{name}.1")).contains(".SH SYNOPSIS"), "{name}");
        assert!(completions.iter().all(|shell| shell.contains(name)), "{name}");
    }
    assert!(read("man/man1/idlegate.1").contains("not an emergency stop"));
}
