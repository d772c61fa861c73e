//! The readings that the guard has kept, for commands with `--last`.

use std::path::Path;

use serde_json::json;

use super::exit_code::Exit;
use super::journal;
use super::output::{self, print_error, print_line};
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::READINGS_FOLDER;
use idlegate_os::Clock;
use idlegate_plan::Plan;
use idlegate_plan::text::{counted, rfc3339};
use idlegate_recordings::recording::{KeptReader, Point};
use idlegate_recordings::replay::{
    Asked, Compared, Comparison, Otherwise, Played, Player, Timeline, Track, asked, had_started, holds_before,
};
use idlegate_rules::{Surroundings, SystemSecrets};

/// Detectors need some readings from before the first request.
const LEAD: Span = Span::secs(3_600);

/// What was kept since then, at least one reading of it.
pub(super) fn open(state: &Path, last: Span) -> Result<impl Iterator<Item = Point> + Send + use<>, Exit> {
    let dir = state.join(READINGS_FOLDER);
    let on_fault = |fault: &idlegate_recordings::recording::RecordingError| {
        print_error!("left out the rest of a file that cannot be read: {fault}");
    };
    let mut points = match KeptReader::open(&dir, before(Clock.now().wall, last), on_fault) {
        Ok(points) => points.peekable(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Err(nothing(&dir, last)),
        Err(error) => {
            print_error!("idlegate: {}: {error}", dir.display());
            return Err(Exit::No);
        }
    };
    if points.peek().is_some() { Ok(points) } else { Err(nothing(&dir, last)) }
}

fn nothing(dir: &Path, last: Span) -> Exit {
    print_error!(
        "idlegate: no readings of the last {last} are in {}. Idlegate keeps them if shop.toml says so, with keep_readings = \"14d\"",
        dir.display()
    );
    Exit::No
}

fn before(wall: WallTime, ago: Span) -> WallTime {
    WallTime(wall.0.saturating_sub(i64::try_from(ago.0).unwrap_or(i64::MAX)))
}

/// `idlegate replay --last`.
pub(super) fn replay(dir: &Path, last: Span, state_dir: Option<&Path>, json: bool) -> anyhow::Result<Exit> {
    let modules = Modules::new(Execution::Automatic, None)?;
    let folder = idlegate_rules::load(dir);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let plan = match idlegate_rules::compile(&folder, &around) {
        Ok(compiled) => compiled.plan,
        Err(problems) => {
            problems
                .iter()
                .filter(|problem| problem.is_error())
                .for_each(|it| print_error!("{}", it.render()));
            return Ok(Exit::Rules);
        }
    };
    let state = match state_dir.map(Path::to_path_buf).or_else(|| plan.shop.state_dir.clone()) {
        Some(state) => state,
        None => {
            print_error!(
                "idlegate: the rules have no state_dir; use --state-dir to say where the readings are"
            );
            return Ok(Exit::Usage);
        }
    };
    compare(&plan, &modules, last, &state, json)
}

/// What these rules would have answered.
pub(super) fn compare(
    plan: &Plan,
    modules: &Modules,
    last: Span,
    state: &Path,
    json: bool,
) -> anyhow::Result<Exit> {
    let reader = match journal::open_in(state) {
        Ok(reader) => reader,
        Err(exit) => return Ok(exit),
    };
    let points = match open(state, last + LEAD) {
        Ok(points) => points,
        Err(exit) => return Ok(exit),
    };
    let requests = asked(&reader, before(Clock.now().wall, last))?;
    let mut timeline = Timeline::default();
    let name = state.join(READINGS_FOLDER).display().to_string();
    if let Err(error) = timeline.add_points(plan, name, Box::new(points.map(Ok)), Track::Whole) {
        print_error!("idlegate: {:#}", anyhow::Error::from(error));
        return Ok(Exit::No);
    }
    let begin = timeline.next_at().unwrap_or_default();
    let mut comparison = Comparison::new(plan, requests, begin, had_started(&reader, begin)?);
    let former = holds_before(&reader, begin, plan)?;
    let player = Player::new(plan, modules, timeline).knowing(&former).asking(&comparison.questions());
    let hear = |heard: Played<'_>| {
        if let Played::Asked(reply) = heard {
            comparison.note(reply);
        }
    };
    if let Err(error) = player.play(None, hear, |_, _, _| ()) {
        print_error!("idlegate: {:#}", anyhow::Error::from(error));
        return Ok(Exit::No);
    }
    let compared = comparison.compared();
    if json {
        as_json(&compared);
    } else {
        in_words(&compared);
    }
    Ok(if compared.otherwise.iter().any(Otherwise::ends_a_job) { Exit::No } else { Exit::Good })
}

fn in_words(compared: &Compared) {
    for otherwise in &compared.otherwise {
        let Otherwise { asked, acts, reason } = otherwise;
        let Asked { at, machine, input, request, decision, .. } = asked;
        print_line!("{}  {machine}: {request} by {input}", rfc3339(*at));
        print_line!("  then {decision:<9} {}", asked.reason);
        print_line!("  now  {:<9} {reason}", word(asked, *acts));
        if otherwise.ends_a_job() {
            print_line!("  THE MACHINE WAS IN A JOB.");
        }
    }
    print_line!("{} decided alike, {} otherwise", compared.alike, compared.otherwise.len());
    let ended = compared.otherwise.iter().filter(|it| it.ends_a_job()).count();
    if ended > 0 {
        let held = counted(ended, "request");
        print_line!("{held} that did not end a job would do so now");
    }
    if compared.without_readings > 0 {
        print_line!(
            "{} left out: no readings were kept around them",
            counted(compared.without_readings, "request")
        );
    }
    if compared.unknown_machines > 0 {
        print_line!(
            "{} left out: these rules do not have the machine",
            counted(compared.unknown_machines, "request")
        );
    }
}

/// An off that does not act does what it did before, or is held.
fn word(asked: &Asked, acts: bool) -> &str {
    match (acts, asked.decision.as_str()) {
        (true, _) => "acts",
        (false, "deferred") => "deferred",
        (false, _) => "held",
    }
}

fn as_json(compared: &Compared) {
    for otherwise in &compared.otherwise {
        let Otherwise { asked, acts, reason } = otherwise;
        output::json(&json!({
            "at": rfc3339(asked.at),
            "machine": asked.machine.as_str(),
            "input": asked.input,
            "request": asked.request,
            "then": { "decision": asked.decision, "reason": asked.reason },
            "now": { "decision": if *acts { "acted" } else { word(asked, false) }, "reason": reason },
            "in_job": asked.in_job,
            "ends_a_job": otherwise.ends_a_job(),
        }));
    }
    output::json(&json!({
        "alike": compared.alike,
        "otherwise": compared.otherwise.len(),
        "ends_a_job": compared.otherwise.iter().filter(|it| it.ends_a_job()).count(),
        "without_readings": compared.without_readings,
        "unknown_machines": compared.unknown_machines,
    }));
}
