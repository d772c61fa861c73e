//! The detectors at work. Their answers come back as events like any other, also that one could not be loaded.

use std::sync::Arc;

use tokio::sync::Notify;

use idlegate_detectors::{Modules, Workers};
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Assessed, DetectorFault, DetectorId, Feed, Install};

pub(super) struct Detectors {
    workers: Workers,
    modules: Arc<Modules>,
    /// Rung when there are answers to collect.
    bell: Arc<Notify>,
    /// Answers that no worker will give, because their detector is not there: one for each that was to be loaded.
    not_loaded: Vec<Assessed>,
}

impl Detectors {
    pub(super) fn start(modules: Arc<Modules>, bell: Arc<Notify>) -> std::io::Result<Detectors> {
        let rung = bell.clone();
        let workers = Workers::start(Box::new(move || rung.notify_one()))?;
        Ok(Detectors { workers, modules, bell, not_loaded: Vec::new() })
    }

    /// The files of new rules.
    pub(super) fn follow(&mut self, modules: Arc<Modules>) {
        self.modules = modules;
    }

    pub(super) fn install(&mut self, now: Moment, install: Install) {
        let id = install.id.clone();
        let installed = self.modules.installation(&install).and_then(|installation| {
            let installed = self.workers.install(id, install.generation, installation);
            installed.map_err(|error| error.to_string())
        });
        if let Err(why) = installed {
            let DetectorId { machine, detector } = install.id;
            tracing::error!(%machine, %why, "detector not loaded; the machine counts as busy");
            self.not_loaded.push(Assessed {
                machine,
                detector,
                generation: install.generation,
                feed: 0,
                at: now,
                outcome: Err(DetectorFault::NotLoaded(why)),
            });
            self.bell.notify_one();
        }
    }

    pub(super) fn remove(&self, id: &DetectorId) {
        self.workers.remove(id);
    }

    pub(super) fn feed(&self, feed: Feed) {
        // A detector that is not installed has said so once, and stays unknown.
        if let Err(not_installed) = self.workers.feed(feed) {
            tracing::debug!(%not_installed, "feed dropped");
        }
    }

    /// What the workers have found.
    pub(super) fn answers(&self) -> Vec<Assessed> {
        self.workers.collect()
    }

    pub(super) fn take_not_loaded(&mut self) -> Vec<Assessed> {
        std::mem::take(&mut self.not_loaded)
    }
}

#[cfg(test)]
mod tests {
    use idlegate_detectors::Execution;
    use idlegate_plan::event::Name;
    use idlegate_plan::{DetectorIx, ModuleSource};

    use super::*;

    /// Its machine counts as busy, and nobody would learn why.
    #[tokio::test]
    async fn a_detector_that_is_not_there_is_told_of_by_the_way_of_all_answers() {
        let modules = Modules::new(Execution::Interpreted, None).unwrap();
        let bell = Arc::new(Notify::new());
        let mut detectors = Detectors::start(Arc::new(modules), bell.clone()).unwrap();
        let id = DetectorId { machine: Name::new("mill").unwrap(), detector: DetectorIx(0) };
        let module = ModuleSource::BuiltIn(Name::new("nobody-wrote-it").unwrap());
        let settings = serde_json::json!({});
        let install = Install { id, generation: 3, module, settings, signals: Vec::new() };
        detectors.install(Moment(5), install);
        // Does not return unless it has been rung.
        bell.notified().await;
        let told = detectors.take_not_loaded();
        assert_eq!((told.len(), told[0].machine.as_str(), told[0].generation), (1, "mill", 3));
        assert!(matches!(&told[0].outcome, Err(DetectorFault::NotLoaded(_))), "{told:?}");
        assert!(detectors.take_not_loaded().is_empty());
    }
}
