//! New rules under a working guard.

use super::Service;
use crate::reload::{Applied, KeptOld, Outcome};
use crate::supervisor;
use idlegate_engine::Subject;
use idlegate_guard::time::Now;
use idlegate_journal::RecordKind;
use idlegate_messages::{Reload, json};
use idlegate_os::Clock;
use idlegate_plan::event::LinkState;
use idlegate_plan::text::rfc3339;

impl Service {
    /// The one place where rules change. The loop is between two events, so every request is judged by one set of
    /// rules.
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
            Outcome::KeptOld { why, problems } => {
                for problem in &problems {
                    tracing::error!("{problem}");
                }
                let first = problems.first().map_or("", |problem| problem.lines().next().unwrap_or_default());
                let sentence = match why {
                    KeptOld::Mistake => {
                        format!("The changed rules have a mistake, so the old ones stay in force. {first}")
                    }
                    KeptOld::HeldBack => format!("{first}."),
                };
                tracing::error!("{sentence}");
                self.dispatch.say(now, Subject::RulesKeptOld, &sentence);
                ("kept-old", problems)
            }
        };
        self.dispatch.metrics.reloaded(word);
        let body = Reload {
            at: rfc3339(now.wall),
            outcome: word.into(),
            problems,
            rules: self.engine.plan().digest.clone(),
        };
        self.dispatch.journalling.record_service(RecordKind::Reload, now, json(&body));
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
        tracing::info!(rules = plan.digest, machines = plan.machines.len(), "new rules in force");
        self.monitor.follow(plan.shop.monitoring.as_ref());
        self.readings.follow(&plan);
        self.expect_arrivals(&plan);
        self.dispatch.adopt(now.moment, plan.clone(), modules);
        self.engine.adopt(plan.clone(), &replaced, now, &mut self.effects);
        self.carry_out(now).await;
        self.dispatch.publish_handover(now);
        self.dispatch.tell_doubts(now);
        let before = self.dispatch.lines.emergency_state();
        // The compiler has checked every filter.
        if let Err(bad) = self.dispatch.lines.follow(&plan) {
            tracing::error!(%bad, "some inputs of the new rules are not heard");
        }
        let after = self.dispatch.lines.emergency_state();
        if before != after {
            // One that is no longer needed is nobody's loss.
            self.tell_of_emergency_link(now, Some(after.unwrap_or(LinkState::Up))).await;
        }
    }
}
