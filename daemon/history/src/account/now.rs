//! What each request would do at this moment, from the status that the guard publishes.

use idlegate_guard::time::Span;
use idlegate_messages::MachineStatus;
use idlegate_messages::effects::standing;

/// One line for each request, and one for what stands behind them.
pub fn forecast(status: &MachineStatus) -> Vec<String> {
    let (title, outlet, state) = (word(&status.title), word(&status.outlet), word(&status.state));
    let reasons = status.reasons.join("; ");
    let mut lines = vec![format!("{title}: its outlet is {outlet}, and it counts as {state}: {reasons}")];
    match (&status.locked_by, status.locks.as_slice()) {
        (Some(by), []) => lines.push(format!("it was locked by {by}")),
        (_, locks) => lines.extend(locks.iter().map(|lock| format!("it was {}", standing::lock(lock)))),
    }
    if status.quiet {
        lines.push("its incidents are recorded and not announced meanwhile, except urgent ones".to_owned());
    }
    lines.extend(status.services.iter().map(standing::service));
    lines.extend(status.job.as_ref().map(standing::job));
    if status.shadow {
        lines.push("shadow mode: decisions are recorded, but nothing is switched".to_owned());
    }
    let window = status.window_left_s;
    let off = match (outlet, state, window) {
        ("off", ..) => "nothing to do: it is already off".to_owned(),
        (_, "idle", _) => "it would be switched off".to_owned(),
        (_, _, _) => match clears(status) {
            Some(at_least) => {
                format!(
                    "it would stay on, and could then be forced off; it is idle in {at_least} at the earliest"
                )
            }
            None => "it would stay on, and could then be forced off".to_owned(),
        },
    };
    lines.push(format!("off (a button or panel)      {off}"));
    let later = match (outlet, state) {
        ("off", _) => "nothing to do: it is already off",
        (_, "idle") => "it would be announced and then switched off, unless somebody cancels",
        _ => "it would be switched off as soon as it is idle",
    };
    lines.push(format!("off (a schedule or voice)    {later}"));
    let force = match (outlet, window, state) {
        ("off", ..) => "nothing to do: it is already off".to_owned(),
        (_, Some(left), _) => format!("it would be switched off; that is possible for another {left:.0} s"),
        (_, None, "idle") => "it would be switched off".to_owned(),
        (_, None, _) => {
            "it would stay on the first time; asked a second time soon after, it would be switched off"
                .to_owned()
        }
    };
    lines.push(format!("force-off                    {force}"));
    let on = match (outlet, &status.locked_by) {
        (_, Some(_)) => "it would be refused: it is locked",
        ("on", None) => "nothing to do: it is already on",
        (_, None) => "it would be switched on, if the rules let this input do that and the circuit has room",
    };
    lines.push(format!("on                           {on}"));
    lines.push("emergency-off                an emergency input always switches it off".to_owned());
    lines
}

fn word(said: &str) -> &str {
    if said.is_empty() { "unknown" } else { said }
}

fn clears(status: &MachineStatus) -> Option<String> {
    let secs = status.clears_in_s.filter(|secs| secs.is_finite() && *secs >= 0.0)?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "finite and not negative")]
    let whole = Span::secs(secs as u64);
    Some(whole.to_string())
}
