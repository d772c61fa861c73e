//! Turns a core module that `plugins/build` compiled into a component, and proves that it asks for nothing.
//!
//! Usage: `componentize MODULE COMPONENT`

use std::path::Path;

use anyhow::{Context, bail, ensure};
use wit_component::{ComponentEncoder, DecodedWasm};

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args_os().skip(1);
    let (Some(module), Some(component), None) = (args.next(), args.next(), args.next()) else {
        bail!("usage: componentize MODULE COMPONENT");
    };
    let (module, component) = (Path::new(&module), Path::new(&component));
    let core = std::fs::read(module).with_context(|| format!("cannot read {}", module.display()))?;
    let encoded = encode(&core).with_context(|| format!("{} makes no component", module.display()))?;
    refuse_imports(&encoded).with_context(|| format!("{} is not for the sandbox", module.display()))?;
    std::fs::write(component, encoded).with_context(|| format!("cannot write {}", component.display()))
}

fn encode(core: &[u8]) -> anyhow::Result<Vec<u8>> {
    ComponentEncoder::default().validate(true).module(core)?.encode()
}

/// A detector may tell the host why it panicked.
const LAST_WORDS: &str = "idlegate:host/last-words@1.0.0";

/// The host grants a detector nothing, so one that asks for anything would never start.
fn refuse_imports(component: &[u8]) -> anyhow::Result<()> {
    let DecodedWasm::Component(resolve, world) = wit_component::decode(component)? else {
        bail!("it is a WIT package, not a component");
    };
    let imports: Vec<String> =
        resolve.worlds[world].imports.keys().map(|key| resolve.name_world_key(key)).collect();
    let imports: Vec<String> = imports.into_iter().filter(|name| name != LAST_WORDS).collect();
    ensure!(imports.is_empty(), "it imports {}", imports.join(", "));
    Ok(())
}
