//! Several daemons at one broker, of which one guards and the others stand by.
//!
//! **The broker is the arbiter.** Whoever guards uses the client id from the rules, and a broker keeps one connection
//! for a client id: the newer takes it from the older. So there are never two that can publish an order. Everything
//! else here only decides *when* to reach for that id, and may be wrong at the cost of a needless change-over, never of
//! a doubled guard.
//!
//! **A change-over is a restart.** Whoever loses its connection stops guarding, forgets what it knew and stands by.
//! Whoever takes over starts as after a restart: windows are closed, nothing is switched, detectors begin anew, and
//! what may not be lost (lockouts, deferrals, the ids of requests that were answered) it takes from messages that the
//! broker keeps. Whoever stands by writes the lockouts that it hears into its own state folder, so that they outlive
//! the broker's store and the other computer.
//!
//! **The red button is heard in between.** Those who stand by listen to emergency inputs, too. A press that nobody has
//! answered is judged by the one that takes over.
//!
//! | file | what it is for |
//! | --- | --- |
//! | `watch` | when to take over, pure |
//! | `presses` | emergencies that have not been answered yet |
//! | `partner` | the connection of the one that stands by, and what is heard over it |
//! | `../../effects/handover`, `handover_ids` | what one leaves to the next, as messages |

mod partner;
mod presses;
mod watch;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use self::partner::Partner;
use self::presses::Presses;
use super::broker_store::BrokerStore;
use super::options::{Ended, Options};
use super::run::{GuardAtWork, Shutdown, guard};
use idlegate_guard::time::Now;
use idlegate_messages::effects::handover::Handover;
use idlegate_plan::event::{Message, Name};
use idlegate_plan::kept::KeptJob;

/// How the one that guards knows that it is one of several.
#[derive(Clone, Debug)]
pub(super) struct OneOfSeveral {
    pub(super) name: Name,
    pub(super) handover: Handover,
    pub(super) broker_store: BrokerStore,
    /// The jobs of whoever guarded before, as far as its machines were heard of.
    pub(super) jobs: BTreeMap<Name, Option<KeptJob>>,
    presses: Arc<Mutex<Presses>>,
}

impl OneOfSeveral {
    /// Emergencies from before we could hear them ourselves.
    pub(super) fn take_presses(&self, now: Now) -> Vec<Message> {
        self.presses.lock().unwrap_or_else(PoisonError::into_inner).take(now)
    }
}

/// Stands by under this name, and guards when nobody else does, until `shutdown` comes.
pub fn run(name: Name, options: Options, shutdown: Shutdown) -> GuardAtWork {
    Box::pin(guard_or_stand_by(name, options, shutdown))
}

async fn guard_or_stand_by(name: Name, options: Options, mut shutdown: Shutdown) -> anyhow::Result<()> {
    let mut partner = Partner::start(name, options)?;
    loop {
        tokio::select! {
            () = &mut shutdown => break,
            () = partner.until_needed() => {}
        }
        let options = partner.takes_over();
        let ended = tokio::select! {
            ended = guard(options, &mut shutdown) => ended?,
            never = partner.listen() => match never {},
        };
        match ended {
            Ended::Asked => break,
            Ended::LinkLost => partner.lost_it()?,
        }
    }
    partner.leave().await;
    Ok(())
}
