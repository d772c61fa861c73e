//! What is a job of a machine: its own keys, else the shop's, else the built-in ones.

use crate::defaults;
use crate::section::Section;
use idlegate_plan::{JobRules, Stage};

pub(super) fn compile(machine: &Section<'_>, shop: Option<&Section<'_>>) -> JobRules {
    let layers = [Some(machine), shop].into_iter().flatten();
    let layers: Vec<Section<'_>> = layers.filter_map(|section| section.section("jobs")).collect();
    let base = defaults::JOBS;
    let span = |key: &str| layers.iter().find_map(|layer| layer.duration(key));
    let told = layers.iter().find(|layer| layer.get("announce").is_some_and(|found| found.value.is_array()));
    let words = told.map(|layer| layer.list("announce"));
    let tells = |word: &str, base: bool| {
        words.as_ref().map_or(base, |words| words.iter().any(|found| found.value.as_str() == Some(word)))
    };
    JobRules {
        shortest: span("shortest").unwrap_or(base.shortest),
        pause: span("pause").or(base.pause),
        tells_finished: tells("finished", base.tells_finished),
        tells_cut: tells("cut", base.tells_cut),
        tells_left_on: tells("left-on", base.tells_left_on),
        left_on_after: span("left_on_after").unwrap_or(base.left_on_after),
    }
}

pub(super) fn stage(section: &Section<'_>) -> Stage {
    let word = section.text("stage").map(|word| word.value);
    Stage::ALL.into_iter().find(|stage| word == Some(stage.word())).unwrap_or(defaults::STAGE)
}
