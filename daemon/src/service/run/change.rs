//! New rules under a working guard.

use super::Service;
use crate::effects::messages;
use crate::journal::Kind;
use crate::service::reload::{Applied, Outcome};
use crate::service::{supervisor, wiring};
use crate::time::{Clock, Now};

impl Service {
    /// The one place where rules change. The loop is between two events, so every request is judged by one set of rules.
    pub(super) async fn take_outcome(&mut self, outcome: Outcome) {
        let now = Clock.now();
        supervisor::reloading();
        let (word, problems) = match outcome {
            Outcome::Applied(applied) => {
                self.adopt(now, *applied).await;
                ("applied", Vec::new())
            }
            Outcome::Unchanged => {
                tracing::info!("the rules on disk are already in force");
                ("unchanged", Vec::new())
            }
            Outcome::KeptOld { problems } => {
                for problem in &problems {
                    tracing::error!("{problem}");
                }
                let sentence = format!(
                    "The changed rules have a mistake, so the old ones stay in force. {}",
                    problems.first().map_or("", |problem| problem.lines().next().unwrap_or_default())
                );
                tracing::error!("{sentence}");
                self.dispatch.say(now, messages::RULES_KEPT_OLD, &sentence);
                ("kept-old", problems)
            }
        };
        self.dispatch.metrics.reloaded(word);
        let body = serde_json::json!({
            "at": crate::text::rfc3339(now.wall),
            "outcome": word,
            "rules": self.engine.plan().digest,
            "problems": problems,
        });
        self.dispatch.journalling.start_or_stop(Kind::Reload, now, body.clone());
        self.reloaded = Some(body);
        supervisor::ready();
        if self.engine.link_is_up() {
            self.publish_health(now);
        }
    }

    async fn adopt(&mut self, now: Now, applied: Applied) {
        let Applied { plan, modules, replaced, warnings } = applied;
        for warning in &warnings {
            tracing::warn!("{warning}");
        }
        let wanted = match wiring::wanted(&plan) {
            Ok(wanted) => wanted,
            // The compiler has checked every filter.
            Err(bad) => return tracing::error!(%bad, "the new rules could not be put in force"),
        };
        tracing::info!(rules = plan.digest, machines = plan.machines.len(), "new rules in force");
        self.monitor.follow(plan.shop.monitoring);
        self.dispatch.adopt(now.moment, plan.clone(), modules);
        self.engine.adopt(plan.clone(), &replaced, now, &mut self.effects);
        self.carry_out(now).await;
        self.link.replace_subscriptions(&wanted, wiring::classifier(&plan));
    }
}
