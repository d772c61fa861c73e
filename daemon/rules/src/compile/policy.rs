//! Guard settings: the machine's own, else the shop's, else the built-in ones.

use crate::codes::Code;
use crate::defaults;
use crate::problems::{Problems, SourceSpan};
use crate::section::Section;
use crate::tables;
use idlegate_guard::time::Span;
use idlegate_guard::{Place as From, Places, Policy};

/// What else is known of the machine.
#[derive(Clone, Copy, Debug)]
pub(super) struct Circumstances {
    pub(super) can_refresh: bool,
    /// Dangerous to start with nobody beside it. Only its own file may permit that, not the shop's.
    pub(super) hazardous: bool,
    /// From where its own file lets it be switched on.
    pub(super) on_from: Option<Places>,
    /// From where the shop lets machines be switched on that do not say so themselves.
    pub(super) shops_on_from: Option<Places>,
}

/// Sections from the most to the least particular.
pub(super) fn compile(
    layers: &[Section<'_>],
    circumstances: Circumstances,
    problems: &mut Problems<'_>,
) -> Policy {
    let base = defaults::POLICY;
    let span = |key: &str| layers.iter().find_map(|layer| layer.duration(key));
    let switch = |key: &str| layers.iter().find_map(|layer| layer.switch(key));
    let tries =
        layers.iter().find_map(|layer| layer.count("tries")).and_then(|tries| u8::try_from(tries).ok());
    let policy = Policy {
        window: span("window").unwrap_or(base.window),
        repeat_guard: span("repeat_guard").unwrap_or(base.repeat_guard),
        force_not_before: span("force_not_before").unwrap_or(base.force_not_before),
        stuck_after: span("stuck_after").unwrap_or(base.stuck_after),
        request_max_age: span("request_max_age").unwrap_or(base.request_max_age),
        emergency_max_age: span("emergency_max_age").unwrap_or(base.emergency_max_age),
        fresh_within: span("fresh_within").unwrap_or(base.fresh_within),
        refresh_wait: span("refresh_wait").unwrap_or(base.refresh_wait),
        assess_wait: span("assess_wait").unwrap_or(base.assess_wait),
        can_refresh: circumstances.can_refresh,
        confirm_within: span("confirm_within").unwrap_or(base.confirm_within),
        tries: tries.unwrap_or(base.tries),
        residual_after: span("residual_after").unwrap_or(base.residual_after),
        settle_for: span("settle_for").unwrap_or(base.settle_for),
        notice: span("notice").unwrap_or(base.notice),
        deferral_max: span("deferral_max").unwrap_or(base.deferral_max),
        keep_on_for: span("keep_on_for").unwrap_or(base.keep_on_for),
        forgotten_after: span("forgotten_after").or(base.forgotten_after),
        on_from: match circumstances {
            Circumstances { hazardous: true, on_from, .. } => on_from.unwrap_or(Places::BESIDE),
            Circumstances { hazardous: false, on_from, shops_on_from, .. } => {
                on_from.or(shops_on_from).unwrap_or(base.on_from)
            }
        },
        on_by_hand: base.on_by_hand,
        windows_counted_within: base.windows_counted_within,
        on_needs_permit: base.on_needs_permit,
        shadow: switch("shadow").unwrap_or(base.shadow),
        control: base.control,
    };
    check(&policy, layers, problems);
    // However long a window is, an input has it open for others for half the time at most.
    let windows_counted_within = policy.windows_counted_within.max(Span(policy.window.0.saturating_mul(6)));
    Policy { windows_counted_within, ..policy }
}

/// From where a section lets machines be switched on. Other words were reported when the form was checked.
pub(super) fn on_from(section: &Section<'_>) -> Option<Places> {
    let listed = section.get("on_from").is_some_and(|found| found.value.is_array());
    let places = section.list("on_from").into_iter();
    listed.then(|| places.filter_map(|word| From::from_word(word.value.as_str()?)).collect())
}

fn check(policy: &Policy, layers: &[Section<'_>], problems: &mut Problems<'_>) {
    // A contradiction is shown at the first of the keys that somebody has set.
    let place = |keys: &[&str]| {
        keys.iter()
            .find_map(|key| layers.iter().find(|layer| layer.has(key)).map(|layer| layer.place_of(key)))
    };
    if policy.repeat_guard == Span::ZERO
        && policy.force_not_before == Span::ZERO
        && let Some(place) = place(&["repeat_guard", "force_not_before"])
    {
        let message = "one long press that a button reports twice would force a working machine off (repeat_guard and \
                       force_not_before are both 0)";
        problems.add(Code::Timing, place, message.to_owned()).help(
            "leave one of them at its default: repeat_guard = \"2s\", force_not_before = \"1s\"".to_owned(),
        );
    }
    let blind = policy.repeat_guard + policy.force_not_before;
    if policy.window <= blind
        && let Some(place) = place(&["window", "repeat_guard", "force_not_before"])
    {
        let message = format!(
            "the window of {} closes before a second press can count as a force (repeat_guard {} + force_not_before {})",
            policy.window, policy.repeat_guard, policy.force_not_before
        );
        problems.add(Code::Timing, place, message).help(format!("set window to more than {blind}"));
    } else {
        comfort(policy, place(&["window"]), problems);
    }
    if policy.stuck_after <= policy.repeat_guard
        && let Some(place) = place(&["stuck_after", "repeat_guard"])
    {
        let message = format!(
            "stuck_after {} is not longer than repeat_guard {}: every repeated press would count as stuck",
            policy.stuck_after, policy.repeat_guard
        );
        problems.add(Code::Timing, place, message);
    }
    unannounced(policy, &place, problems);
    if policy.deferral_max <= policy.settle_for + policy.notice
        && let Some(place) = place(&["deferral_max", "settle_for", "notice"])
    {
        let message = format!(
            "a deferred off is given up after {}, before settle_for {} and notice {} are over",
            policy.deferral_max, policy.settle_for, policy.notice
        );
        problems.add(Code::Timing, place, message);
    }
}

/// Settings that take away what people rely on, though they are allowed.
fn unannounced(policy: &Policy, place: &dyn Fn(&[&str]) -> Option<SourceSpan>, problems: &mut Problems<'_>) {
    if policy.notice == Span::ZERO
        && let Some(place) = place(&["notice"])
    {
        let message =
            "with notice 0 a machine is switched off without warning, so nobody can cancel".to_owned();
        problems.add(Code::NoNotice, place, message).help("30s gives people time to cancel".to_owned());
    }
    if policy.tries == 0
        && let Some(place) = place(&["tries"])
    {
        let message = "with tries 0 an order that gets lost on its way is not sent again".to_owned();
        problems
            .add(Code::NoTries, place, message)
            .help("3 is usual; a plain off is sent again only while the machine is idle".to_owned());
    }
}

fn comfort(policy: &Policy, place: Option<SourceSpan>, problems: &mut Problems<'_>) {
    // As far as a person can still react, and as far as they remember that they pressed.
    const COMFORT: (Span, Span) = (Span::secs(5), Span::secs(60));
    let fault = if policy.window < COMFORT.0 { "short" } else { "long" };
    let comfortable = (COMFORT.0..=COMFORT.1).contains(&policy.window);
    // Beyond the longest that is allowed it is an error, and has been reported.
    if let Some(place) = place
        && !comfortable
        && policy.window <= tables::WINDOW_MAX
    {
        problems
            .add(Code::OddWindow, place, format!("a window of {} is very {fault}", policy.window))
            .help(format!("{} to {} suits most workshops", COMFORT.0, COMFORT.1));
    }
}
