//! What each request would do at this moment, from the status that the guard publishes.

use serde_json::Value;

/// One line for each request, and one for what stands behind them.
pub fn forecast(status: &Value) -> Vec<String> {
    let word = |key: &str| status[key].as_str().unwrap_or("unknown");
    let (outlet, state) = (word("outlet"), word("state"));
    let reasons = status["reasons"].as_array().into_iter().flatten().filter_map(Value::as_str);
    let reasons = reasons.collect::<Vec<_>>().join("; ");
    let mut lines =
        vec![format!("{}: the outlet is {outlet}; it counts as {state}: {reasons}", word("title"))];
    if let Some(by) = status["locked_by"].as_str() {
        lines.push(format!("it is locked by {by}"));
    }
    if status["shadow"] == true {
        lines.push("shadow mode: whatever is decided is recorded, and nothing is sent".to_owned());
    }
    let window = status["window_left_s"].as_f64();
    let off = match (outlet, state, window) {
        ("off", ..) => "nothing to do: it is off".to_owned(),
        (_, "idle", _) => "it would be switched off".to_owned(),
        (_, _, _) => match clears(status) {
            Some(at_least) => {
                format!("it would be held, with a window to force it; idle in {at_least} at the earliest")
            }
            None => "it would be held, with a window to force it".to_owned(),
        },
    };
    lines.push(format!("off (a button or panel)      {off}"));
    let later = match (outlet, state) {
        ("off", _) => "nothing to do: it is off",
        (_, "idle") => "it would be switched off after the notice, unless somebody cancels",
        _ => "it would wait until the machine is idle",
    };
    lines.push(format!("off (a schedule or voice)    {later}"));
    let force = match (outlet, window, state) {
        ("off", ..) => "nothing to do: it is off".to_owned(),
        (_, Some(left), _) => format!("it would be switched off: the window is open for {left:.0} s more"),
        (_, None, "idle") => "it would be switched off, as by off".to_owned(),
        (_, None, _) => {
            "it would be held and open the window; a second force inside it switches off".to_owned()
        }
    };
    lines.push(format!("force-off                    {force}"));
    let on = match (outlet, status["locked_by"].as_str()) {
        (_, Some(_)) => "it would be refused: the machine is locked",
        ("on", None) => "nothing to do: it is on",
        (_, None) => "it would be switched on, if the rules let this input do so and the circuit has room",
    };
    lines.push(format!("on                           {on}"));
    lines.push("emergency-off                always obeyed from an emergency input".to_owned());
    lines
}

fn clears(status: &Value) -> Option<String> {
    let secs = status["clears_in_s"].as_f64().filter(|secs| secs.is_finite() && *secs >= 0.0)?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "finite and not negative")]
    let whole = crate::time::Span::secs(secs as u64);
    Some(whole.to_string())
}
