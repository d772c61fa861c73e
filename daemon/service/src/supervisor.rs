//! What the service manager is told, by sd_notify(3). Without one nothing is said, and nothing depends on it.
//!
//! Ready means that the rules are in force and the detectors are being loaded, with the broker or without: a guard
//! whose broker is away is waiting for it, not broken.

use sd_notify::NotifyState;

pub(super) fn ready() {
    tell(&[NotifyState::Ready]);
}

/// Once a second, from the loop itself.
pub(super) fn alive() {
    tell(&[NotifyState::Watchdog]);
}

/// Followed by [`ready`], whatever came of it.
pub(super) fn reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(since) => tell(&[NotifyState::Reloading, since]),
        Err(error) => tracing::debug!(%error, "the service manager is not told of a reload"),
    }
}

pub(super) fn stopping() {
    tell(&[NotifyState::Stopping]);
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        // A service manager that hears nothing will act on that by itself.
        tracing::debug!(%error, "the service manager does not listen");
    }
}
