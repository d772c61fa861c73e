//! The guard's own recording of its machines' readings, where the rules want one (`keep_readings`).

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use idlegate_guard::time::Now;
use idlegate_journal::READINGS_FOLDER;
use idlegate_messages::ReadingsKept;
use idlegate_plan::event::Message;
use idlegate_plan::{SharedPlan, topic};
use idlegate_recordings::capture::{Keeper, Recorder};

/// How long the end of the program waits for the last pack.
const CLOSE_PATIENCE: Duration = Duration::from_secs(2);

#[derive(Debug)]
pub(super) struct Readings {
    dir: Option<PathBuf>,
    keeper: Option<Keeper>,
    /// What is handed to it; requests, and whoever made them, are not.
    topics: HashSet<String>,
    filters: Vec<String>,
}

impl Readings {
    pub(super) fn start(state_dir: Option<&Path>, plan: &SharedPlan) -> Readings {
        let dir = state_dir.map(|dir| dir.join(READINGS_FOLDER));
        let mut readings = Readings { dir, keeper: None, topics: HashSet::new(), filters: Vec::new() };
        readings.follow(plan);
        readings
    }

    pub(super) fn follow(&mut self, plan: &SharedPlan) {
        let Some((dir, age_max)) = self.dir.as_ref().zip(plan.shop.keep_readings) else {
            self.keeper.take().inspect(Keeper::end);
            return;
        };
        match &self.keeper {
            Some(keeper) => keeper.follow(plan.clone(), age_max),
            None => match Keeper::start(dir, plan.clone(), age_max) {
                Ok(keeper) => self.keeper = Some(keeper),
                Err(error) => tracing::error!(%error, "no thread to keep readings"),
            },
        }
        let (wild, topics): (Vec<_>, Vec<_>) =
            Recorder::new(plan, &[]).filters().into_iter().partition(|filter| filter.contains(['+', '#']));
        (self.filters, self.topics) = (wild, topics.into_iter().collect());
    }

    /// A copy of the message, if it is to be kept: whoever judges it must not wait.
    pub(super) fn copy(&self, message: &Message) -> Option<Message> {
        self.keeper.as_ref()?;
        let wanted = self.topics.contains(&*message.topic)
            || self.filters.iter().any(|filter| topic::matches(filter, &message.topic));
        // The bytes may be a small part of a large buffer.
        let payload = || bytes::Bytes::copy_from_slice(&message.payload);
        wanted.then(|| Message {
            payload: payload(),
            response_topic: None,
            correlation: None,
            ..message.clone()
        })
    }

    pub(super) fn hear(&self, now: Now, message: Message) {
        self.keeper.as_ref().inspect(|keeper| keeper.hear(now, message));
    }

    /// For the health message.
    pub(super) fn health(&self) -> Option<ReadingsKept> {
        let kept = self.keeper.as_ref()?.kept();
        let state = kept.trouble.map_or("ok".to_owned(), |trouble| format!("not kept: {trouble}"));
        Some(ReadingsKept { bytes: kept.bytes, lost: kept.lost, state })
    }

    pub(super) fn close(self) {
        if self.keeper.is_some_and(|keeper| !keeper.close(CLOSE_PATIENCE)) {
            tracing::warn!("the disk was too slow for the last readings");
        }
    }
}
