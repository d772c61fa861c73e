//! What could go wrong: rules that would have ended a job pass for harmless, harmless ones are made a fuss about, or
//! requests are compared of which nobody knows what the guard saw.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::super::{
    Played, Player, SignalPlace, TemporaryModule, TemporaryRules, TemporarySignal, Timeline, Track,
    holds_before,
};
use super::*;
use idlegate_detectors::{Execution, Modules};
use idlegate_engine::Former;
use idlegate_guard::time::{Moment, Now};
use idlegate_journal::{FileBackend, Journal, Limits, Pace, Record, nobody_listens};
use idlegate_plan::text::parse_time;
use idlegate_plan::{MachineIx, SignalIx};
use idlegate_rules::{Surroundings, SystemSecrets};

/// A time on the day of the recording.
fn at(time: &str) -> WallTime {
    parse_time(&format!("2026-11-25T{time}Z")).unwrap()
}

struct Past {
    folder: tempfile::TempDir,
    journal: Journal,
}

impl Past {
    fn new() -> Past {
        let folder = tempfile::tempdir().unwrap();
        let backend = FileBackend::new(folder.path().join("journal.sqlite"), Limits::default());
        let (journal, _) = Journal::start(Box::new(backend), Pace::default(), nobody_listens());
        Past { folder, journal }
    }

    fn append(&self, kind: RecordKind, time: &str, body: Value) {
        let now = Now { moment: Moment(0), wall: at(time) };
        self.journal.append(Record::new(kind, now, body).of(Name::new("machine").unwrap()));
    }

    fn state(&self, time: &str, state: &str) {
        self.append(RecordKind::State, time, json!({ "state": state, "reasons": [] }));
    }

    fn press(&self, time: &str, decision: &str, reason: &str, state: &str, clears_in_s: Option<f64>) {
        let said = format!("said at {time}");
        let detector = json!({ "role": "hold", "state": state, "reason": said, "clears_in_s": clears_in_s });
        let warns = json!({ "role": "warn", "state": "busy", "reason": "warns", "clears_in_s": null });
        let body = json!({
            "input": "button", "request": "off", "decision": decision, "reason": reason, "state": state,
            "detectors": [detector, warns],
        });
        self.append(RecordKind::Decision, time, body);
    }

    fn asked(self) -> Vec<Asked> {
        assert!(self.journal.close(Span::secs(10)));
        let reader = JournalReader::open(&self.folder.path().join("journal.sqlite")).unwrap();
        asked(&reader, at("00:00:00")).unwrap()
    }
}

/// Half an hour at 4 W; ten minutes at 200 W, with two minutes at 30 W in them; half an hour at 4 W; a reading every
/// two seconds.
fn recording(folder: &tempfile::TempDir) -> PathBuf {
    use std::io::Write as _;
    let path = folder.path().join("day.csv");
    let mut file = std::fs::File::create(&path).unwrap();
    writeln!(file, "time,watts").unwrap();
    for second in (0..4_200).step_by(2) {
        let watts = match second {
            2_000..2_120 => 30,
            1_800..2_400 => 200,
            _ => 4,
        };
        let (hour, minute) = (8 + second / 3_600, second / 60 % 60);
        writeln!(file, "2026-11-25T{hour:02}:{minute:02}:{:02}Z,{watts}", second % 60).unwrap();
    }
    path
}

fn under(settings: &str, asked: Vec<Asked>, with_the_guard: bool) -> Compared {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let document: toml_edit::DocumentMut = format!("s = {{ {settings} }}").parse().unwrap();
    let power = TemporarySignal { name: Name::new("power").unwrap(), unit: "W".to_owned(), text: false };
    let settings = document["s"].as_inline_table().unwrap();
    let rules =
        TemporaryRules::of_signals(&[power], TemporaryModule::BuiltIn("power-threshold"), settings).unwrap();
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let plan = idlegate_rules::compile(&idlegate_rules::load(&rules.path()), &around).unwrap().plan;
    let folder = tempfile::tempdir().unwrap();
    let mut timeline = Timeline::default();
    timeline
        .add(
            &plan,
            &recording(&folder),
            Track::Signal(SignalPlace { machine: MachineIx(0), signal: SignalIx(0) }),
        )
        .unwrap();
    let mut comparison = Comparison::new(&plan, asked, at("08:00:00"), with_the_guard);
    let player = Player::new(&plan, &modules, timeline).asking(&comparison.questions());
    let hear = |heard: Played<'_>| {
        if let Played::Asked(reply) = heard {
            comparison.note(reply);
        }
    };
    player.play(None, hear, |_, _, _| ()).unwrap();
    comparison.compared()
}

/// Under rules with a dwell of 3 min.
fn a_day() -> Past {
    let past = Past::new();
    past.state("08:03:00", "idle");
    past.press("08:20:00", "acted", "machine-idle", "idle", None);
    past.state("08:30:00", "busy");
    past.press("08:31:00", "held", "machine-busy", "busy", None);
    past.press("08:35:00", "held", "machine-busy", "busy", Some(100.0));
    past.press("08:35:01", "acted", "forced-in-window", "busy", Some(99.0));
    past.press("08:42:00", "deferred", "until-idle", "busy", Some(60.0));
    past.state("08:43:00", "idle");
    past
}

#[test]
fn rules_as_before_decide_alike() {
    let compared = under("busy_watts = 10, dwell = \"3 min\"", a_day().asked(), false);
    assert_eq!(compared, Compared { alike: 4, ..Compared::default() });
}

#[test]
fn a_dwell_shorter_than_a_pause_ends_a_job_and_a_shorter_wait_after_it_does_not() {
    let compared = under("busy_watts = 40, dwell = \"30 s\"", a_day().asked(), false);
    let told: Vec<_> = compared.otherwise.iter().map(|it| (it.asked.at, it.acts, it.ends_a_job())).collect();
    assert_eq!(told, [(at("08:35:00"), true, true), (at("08:42:00"), true, false)]);
    assert_eq!(compared.alike, 2);
    assert_eq!(compared.otherwise[0].asked.reason, "said at 08:35:00", "who only warns holds nothing");
}

#[test]
fn rules_that_see_no_job_at_all_end_it() {
    let compared = under("busy_watts = 1000, dwell = \"30 s\"", a_day().asked(), false);
    let ended =
        compared.otherwise.iter().filter(|it| it.ends_a_job()).map(|it| it.asked.at).collect::<Vec<_>>();
    assert_eq!(ended, [at("08:31:00"), at("08:35:00")]);
}

#[test]
fn a_longer_dwell_holds_more_and_ends_nothing() {
    let past = a_day();
    past.press("08:44:00", "acted", "machine-idle", "idle", None);
    let compared = under("busy_watts = 10, dwell = \"5 min\"", past.asked(), false);
    let told: Vec<_> = compared.otherwise.iter().map(|it| (it.asked.at, it.acts, it.ends_a_job())).collect();
    assert_eq!(told, [(at("08:44:00"), false, false)]);
}

#[test]
fn where_nothing_was_known_a_job_is_one_only_if_the_machine_worked_before_or_afterwards() {
    let past = Past::new();
    past.state("08:03:00", "idle");
    past.state("08:10:00", "unknown");
    past.press("08:20:00", "held", "machine-unknown", "unknown", None);
    past.state("08:21:00", "idle");
    past.state("08:22:00", "unknown");
    past.press("08:23:00", "held", "machine-unknown", "unknown", None);
    past.state("08:30:00", "busy");
    let asked = past.asked();
    assert_eq!(asked.iter().map(|asked| asked.in_job).collect::<Vec<_>>(), [false, true]);
}

#[test]
fn a_machine_that_was_held_longer_was_in_a_job_only_if_it_went_back_to_work() {
    let past = Past::new();
    past.append(RecordKind::Decision, "08:20:00", idle_and_held());
    past.state("08:24:00", "idle");
    past.append(RecordKind::Decision, "08:40:00", idle_and_held());
    past.press("08:50:00", "held", "machine-busy", "busy", None);
    past.state("09:50:00", "idle");
    assert_eq!(past.asked().iter().map(|asked| asked.in_job).collect::<Vec<_>>(), [false, true, true]);
}

/// Its detector says idle; the guard holds it all the same.
fn idle_and_held() -> Value {
    let detector = json!({ "role": "hold", "state": "idle", "reason": "quiet", "clears_in_s": null });
    json!({
        "input": "button", "request": "off", "decision": "held", "reason": "machine-busy", "state": "busy",
        "detectors": [detector],
    })
}

#[test]
fn what_cannot_be_compared_is_counted_and_not_guessed() {
    let past = a_day();
    // Long before the first reading, and long after the last.
    past.press("07:00:00", "held", "machine-busy", "busy", None);
    past.press("09:10:30", "held", "machine-busy", "busy", None);
    // What the guard knew from before the first reading, nobody can tell, unless it was started with it.
    past.press("08:02:00", "acted", "machine-idle", "idle", None);
    let mut asked = past.asked();
    asked[0].machine = Name::new("elsewhere").unwrap();
    let settings = "busy_watts = 10, dwell = \"3 min\"";
    let compared = under(settings, asked.clone(), false);
    assert_eq!((compared.alike, compared.otherwise.len()), (3, 0), "{compared:?}");
    assert_eq!((compared.unknown_machines, compared.without_readings), (1, 3));
    assert_eq!(under(settings, asked, true).otherwise.len(), 1);
}

/// The day before it went back to work four minutes after it counted as idle, so the guard holds it for five minutes
/// more. Other settings, or none of that, and it is let go after its dwell.
#[test]
fn a_replay_begins_with_what_the_guard_had_learned_before() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let settings: toml_edit::DocumentMut = "s = { busy_watts = 10, dwell = \"3 min\" }".parse().unwrap();
    let power = TemporarySignal { name: Name::new("power").unwrap(), unit: "W".to_owned(), text: false };
    let rules = TemporaryRules::of_signals(
        &[power],
        TemporaryModule::BuiltIn("power-threshold"),
        settings["s"].as_inline_table().unwrap(),
    )
    .unwrap();
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let mut plan = idlegate_rules::compile(&idlegate_rules::load(&rules.path()), &around).unwrap().plan;
    plan.machines[MachineIx(0)].learning.hold_longer = true;

    let past = Past::new();
    let row = |settings: &str| json!({ "end": "back-to-work", "dwell_s": 180.0, "idle_for_s": 240.0, "so_far": { "settings": settings } });
    past.append(
        RecordKind::Silence,
        "07:00:00",
        row(&idlegate_engine::fingerprint(&plan.machines[MachineIx(0)])),
    );
    past.append(RecordKind::Silence, "07:10:00", row("others"));
    assert!(past.journal.close(Span::secs(10)));
    let reader = JournalReader::open(&past.folder.path().join("journal.sqlite")).unwrap();

    let recording = past.folder.path().join("morning.csv");
    let rows: String = (0..90)
        .map(|tenth| {
            format!(
                "2026-11-25T08:{:02}:{:02}Z,{}\n",
                tenth / 6,
                tenth % 6 * 10,
                if tenth < 12 { 200 } else { 4 }
            )
        })
        .collect();
    std::fs::write(&recording, format!("time,watts\n{rows}")).unwrap();
    let clear_at = |known: &Former| {
        let mut timeline = Timeline::default();
        timeline.add(&plan, &recording, Track::Whole).unwrap();
        let mut clear = None;
        let hear = |heard: Played<'_>| {
            if let Played::Changed(change) = heard
                && change.state == PermissiveState::Clear
            {
                clear = Some(change.at);
            }
        };
        Player::new(&plan, &modules, timeline).knowing(known).play(None, hear, |_, _, _| ()).unwrap();
        clear
    };
    assert_eq!(clear_at(&holds_before(&reader, at("08:00:00"), &plan).unwrap()), Some(at("08:10:00")));
    assert_eq!(
        clear_at(&holds_before(&reader, at("07:00:00"), &plan).unwrap()),
        Some(at("08:05:00")),
        "not yet learned"
    );
}
