//! What each request would do at this moment, from the status that the guard publishes.

use serde_json::Value;

/// One line for each request, and one for what stands behind them.
pub fn forecast(status: &Value) -> Vec<String> {
    let word = |key: &str| status[key].as_str().unwrap_or("unknown");
    let (outlet, state) = (word("outlet"), word("state"));
    let reasons = status["reasons"].as_array().into_iter().flatten().filter_map(Value::as_str);
    let reasons = reasons.collect::<Vec<_>>().join("; ");
    let mut lines =
        vec![format!("{}: its outlet is {outlet}, and it counts as {state}: {reasons}", word("title"))];
    if let Some(by) = status["locked_by"].as_str() {
        lines.push(format!("it was locked by {by}"));
    }
    if status["shadow"] == true {
        lines.push("shadow mode: decisions are recorded, but nothing is switched".to_owned());
    }
    let window = status["window_left_s"].as_f64();
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
    let on = match (outlet, status["locked_by"].as_str()) {
        (_, Some(_)) => "it would be refused: it is locked",
        ("on", None) => "nothing to do: it is already on",
        (_, None) => "it would be switched on, if the rules let this input do that and the circuit has room",
    };
    lines.push(format!("on                           {on}"));
    lines.push("emergency-off                an emergency input always switches it off".to_owned());
    lines
}

fn clears(status: &Value) -> Option<String> {
    let secs = status["clears_in_s"].as_f64().filter(|secs| secs.is_finite() && *secs >= 0.0)?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "finite and not negative")]
    let whole = crate::time::Span::secs(secs as u64);
    Some(whole.to_string())
}
