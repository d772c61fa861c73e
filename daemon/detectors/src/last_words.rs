//! The one thing a detector may tell besides its answers: why it is about to trap. It is granted nothing by it.

use wasmtime::component::Linker;
use wasmtime::{Engine, StoreContextMut};

use super::guest::Allowance;
use super::limits::LAST_WORDS_CHARS_MAX;
use idlegate_plan::text::tame;

/// As `sdk/wit/last-words` names it.
pub(super) const INTERFACE: &str = "idlegate:host/last-words@1.0.0";
const PANICKED: &str = "panicked";

/// Whatever a detector may import.
pub(super) fn linker(engine: &Engine) -> wasmtime::Result<Linker<Allowance>> {
    let mut linker = Linker::new(engine);
    let hear = |mut store: StoreContextMut<'_, Allowance>, (why,): (String,)| {
        store.data_mut().last_words.get_or_insert_with(|| one_line(&why));
        Ok(())
    };
    linker.instance(INTERFACE)?.func_wrap(PANICKED, hear)?;
    Ok(linker)
}

fn one_line(why: &str) -> String {
    // It is within a tenth of a second of its end anyway, but need not be copied whole.
    let words = why.split_whitespace().take(LAST_WORDS_CHARS_MAX).collect::<Vec<_>>().join(" ");
    tame(&words, LAST_WORDS_CHARS_MAX)
}
