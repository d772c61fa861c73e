//! `idlegate calibrate --unusual`.

use std::path::Path;

use serde_json::{Value, json};

use super::CalibrateArgs;
use crate::cli::exit_code::Exit;
use crate::cli::output::{self, print_error, print_text};
use crate::cli::{journal, kept, rules};
use idlegate_guard::time::Span;
use idlegate_recordings::calibrate::TakeError;
use idlegate_recordings::calibrate::unusual::{self, Learned, OutletWords, Past};

pub(super) fn run(wanted: &CalibrateArgs) -> anyhow::Result<Exit> {
    let plan = match wanted.rules.as_deref().map(|dir| rules::for_visitor(dir, None)).transpose()? {
        Some(Err(exit)) => return Ok(exit),
        Some(Ok(plan)) => Some(plan),
        None => None,
    };
    let machine = machine(wanted);
    let name = format!("{}/outlet", machine.as_deref().unwrap_or_default());
    let of_machine = plan.as_ref().zip(machine.as_deref()).and_then(|(plan, machine)| plan.machine(machine));
    let outlet = of_machine
        .and_then(|(_, machine)| machine.outlet.state.as_ref())
        .map(|state| OutletWords { name: &name, state });
    let pasts = match wanted.last {
        Some(last) => of_kept(wanted, last, machine.as_deref(), outlet)?,
        None => read(wanted, outlet),
    };
    match pasts {
        Ok(pasts) => tell(wanted, &pasts, outlet.is_some()),
        Err(exit) => Ok(exit),
    }
}

/// Whose recordings they are, as far as that is said: the machine itself, its signal, or its file.
fn machine(wanted: &CalibrateArgs) -> Option<String> {
    if wanted.last.is_some() {
        return wanted.recordings.first().map(|machine| machine.to_string_lossy().into_owned());
    }
    let of_signal = wanted.signal.as_deref().and_then(|signal| signal.split_once('/'));
    let of_file = || wanted.write.as_deref().and_then(Path::file_stem);
    of_signal
        .map(|(machine, _)| machine.to_owned())
        .or_else(|| of_file().map(|stem| stem.to_string_lossy().into_owned()))
}

fn read(wanted: &CalibrateArgs, outlet: Option<OutletWords<'_>>) -> Result<Vec<Past>, Exit> {
    let pasts = wanted.recordings.iter().map(|path| Past::read(path, wanted.signal.as_deref(), outlet));
    pasts.collect::<Result<_, _>>().map_err(refused)
}

fn of_kept(
    wanted: &CalibrateArgs,
    last: Span,
    machine: Option<&str>,
    outlet: Option<OutletWords<'_>>,
) -> anyhow::Result<Result<Vec<Past>, Exit>> {
    let (Some(machine), [_]) = (machine, &wanted.recordings[..]) else {
        print_error!("idlegate: with --last, give one machine");
        return Ok(Err(Exit::Usage));
    };
    let state = match journal::state_folder(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
        Ok(state) => state,
        Err(exit) => return Ok(Err(exit)),
    };
    let points = match kept::open(&state, last) {
        Ok(points) => points,
        Err(exit) => return Ok(Err(exit)),
    };
    let (its_own, signal) = super::its_own(machine, points, wanted.signal.as_deref());
    let name = super::name_of_kept(machine, last);
    Ok(Past::from_points(name, its_own, signal.as_deref(), outlet).map(|past| vec![past]).map_err(refused))
}

fn refused(error: TakeError) -> Exit {
    print_error!("idlegate: {:#}", anyhow::Error::from(error));
    Exit::No
}

fn tell(wanted: &CalibrateArgs, pasts: &[Past], reads_outlet: bool) -> anyhow::Result<Exit> {
    let learned = unusual::learn(pasts);
    if wanted.json {
        output::json(&as_json(&learned));
    } else {
        print_text!("{}", unusual::words(pasts, &learned));
    }
    if !reads_outlet {
        print_error!(
            "When its outlet was switched is not known. With --rules DIR and --last, or --signal MACHINE/SIGNAL, it is read from the \
             recordings, too."
        );
    }
    if learned.settings.is_empty() {
        return Ok(Exit::No);
    }
    if let Some(path) = &wanted.write {
        unusual::write(path, &learned.settings)?;
        print_error!("{}: has unusual-draw with these settings now", path.display());
    }
    Ok(Exit::Good)
}

fn as_json(learned: &Learned) -> Value {
    let settings = learned.settings.to_toml();
    let settings = settings.iter().map(|(key, value)| {
        let value = value.as_float().map_or_else(|| json!(value.as_str()), Value::from);
        (key.to_owned(), value)
    });
    let lessons = learned.lessons.iter().map(|lesson| {
        let (because, is_on) = match &lesson.because {
            Ok(because) => (because, true),
            Err(because) => (because, false),
        };
        json!({ "warns_of": lesson.watches_for, "on": is_on, "because": because })
    });
    json!({
        "settings": settings.collect::<serde_json::Map<_, _>>(),
        "days": learned.days,
        "lessons": lessons.collect::<Vec<_>>(),
    })
}
