//! When it is tried whether the broker heeds message expiry, and what came of it.
//!
//! At the start, and after every reconnect, behind which there may be another broker, or the same one with other
//! settings; but never more than once an hour. The trial runs beside the loop, which waits for nothing of it.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio::sync::mpsc;

use idlegate_guard::time::{Moment, Span};
use idlegate_link::{self as link, Expiry, LinkHandle};
use idlegate_plan::{Login, Plan};

const PAUSE: Span = Span::secs(3_600);

#[derive(Debug)]
pub(super) struct ExpiryWatch {
    due: bool,
    tried_at: Arc<AtomicU64>,
    tell: mpsc::UnboundedSender<Expiry>,
    /// One result an hour.
    told: mpsc::UnboundedReceiver<Expiry>,
    found: Expiry,
    late: bool,
}

impl ExpiryWatch {
    pub(super) fn new(login: Option<&Login>, tried_at: Arc<AtomicU64>) -> ExpiryWatch {
        let (tell, told) = mpsc::unbounded_channel();
        let why = match login {
            Some(_) => "not yet",
            None => "the rules have no [broker.probe] login for it",
        };
        ExpiryWatch { due: false, tried_at, tell, told, found: Expiry::NotTried(why.to_owned()), late: false }
    }

    /// As was found last.
    pub(super) fn is_late(&self) -> bool {
        self.late
    }

    /// A former run has told so.
    pub(super) fn recall_late(&mut self) {
        self.late |= matches!(self.found, Expiry::NotTried(_));
    }

    pub(super) fn connected(&mut self) {
        self.due = true;
    }

    /// To be called now and then while the link is up.
    pub(super) fn try_if_due(&mut self, now: Moment, plan: &Plan, link: &LinkHandle) {
        let Some(login) = plan.shop.broker.probe.clone().filter(|_| self.due) else { return };
        let tried_at = self.tried_at.load(Ordering::Relaxed);
        if tried_at != 0 && now.since(Moment(tried_at)) < PAUSE {
            return;
        }
        self.due = false;
        self.tried_at.store(now.0.max(1), Ordering::Relaxed);
        let (broker, prefix) = (plan.shop.broker.clone(), plan.shop.prefix.clone());
        let (link, tell) = (link.clone(), self.tell.clone());
        tokio::spawn(async move {
            // Nobody listens any more when the service has ended.
            let _ = tell.send(link::try_expiry(&broker, &login, &prefix, &link).await);
        });
    }

    /// The next result; never ends.
    pub(super) async fn next(&mut self) -> Expiry {
        match self.told.recv().await {
            Some(found) => found,
            // We hold a sender ourselves.
            None => std::future::pending().await,
        }
    }

    /// Whether that begins an incident (true) or ends one (false).
    pub(super) fn take(&mut self, found: Expiry) -> Option<bool> {
        let late = match &found {
            Expiry::Ignored => true,
            Expiry::Heeded | Expiry::NothingWaits => false,
            Expiry::NotTried(why) => {
                if self.found != found {
                    tracing::warn!(
                        why,
                        "it could not be tried whether the broker throws away what has expired"
                    );
                }
                self.late
            }
        };
        self.found = found;
        let news = late != self.late;
        self.late = late;
        news.then_some(late)
    }

    pub(super) fn health(&self) -> String {
        match &self.found {
            Expiry::Heeded => "heeded".to_owned(),
            Expiry::NothingWaits => "heeded: nothing waits at this broker".to_owned(),
            Expiry::Ignored => "ignored".to_owned(),
            Expiry::NotTried(why) if self.late => format!("ignored; the last time not tried: {why}"),
            Expiry::NotTried(why) => format!("not tried: {why}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_late_broker_is_told_once_and_a_trial_that_fails_changes_nothing() {
        let mut watch = ExpiryWatch::new(None, Arc::default());
        let failed = || Expiry::NotTried("the login does not get in".into());
        assert_eq!(watch.health(), "not tried: the rules have no [broker.probe] login for it");
        for (found, news, health) in [
            (Expiry::Heeded, None, "heeded"),
            (Expiry::Ignored, Some(true), "ignored"),
            (Expiry::Ignored, None, "ignored"),
            (failed(), None, "ignored; the last time not tried: the login does not get in"),
            (Expiry::Heeded, Some(false), "heeded"),
            (failed(), None, "not tried: the login does not get in"),
        ] {
            assert_eq!(watch.take(found.clone()), news, "{found:?}");
            assert_eq!(watch.health(), health);
        }
    }
}
