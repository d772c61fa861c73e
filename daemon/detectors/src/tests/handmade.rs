//! Detectors made by hand, instruction by instruction, so that each can do one thing wrong: their files. Also used by
//! the proof command `hostile`.

/// The bodies of a detector's functions, in the text format, and the memory they start with.
///
/// Untouched it is a well-behaved detector with one signal, `power`. It counts what it is shown, is idle from
/// the third reading on, and says how many it saw. A reading of 666 makes it panic, one of 777 makes it loop.
pub(crate) struct Handmade {
    pub(crate) describe: String,
    pub(crate) configure: String,
    pub(crate) observe: String,
    pub(crate) assess: String,
    /// What it imports; these come first.
    pub(crate) imports: String,
    /// More items of the module: a start function, a table.
    pub(crate) items: String,
    pub(crate) data: Vec<(usize, Vec<u8>)>,
    pub(crate) contract: &'static str,
}

pub(crate) const DESCRIPTION: usize = 0x100;
pub(crate) const SIGNALS: usize = 0x200;
pub(crate) const CONFIGURED: usize = 0x300;
pub(crate) const REFUSED: usize = 0x320;
pub(crate) const ASSESSMENT: usize = 0x340;
pub(crate) const EVIDENCE: usize = 0x380;
pub(crate) const TEXTS: usize = 0x1000;
pub(crate) const REASON: usize = 0x1800;

pub(crate) const ENDLESS: &str = "(loop $for_ever (br $for_ever)) (unreachable)";

impl Default for Handmade {
    fn default() -> Self {
        let observe = "(local $end i32)
            (local.set $end (i32.add (local.get $list) (i32.mul (local.get $count) (i32.const 32))))
            (block $done (loop $each
                (br_if $done (i32.ge_u (local.get $list) (local.get $end)))
                (if (f64.eq (f64.load offset=24 (local.get $list)) (f64.const 666)) (then (unreachable)))
                (if (f64.eq (f64.load offset=24 (local.get $list)) (f64.const 777))
                    (then (loop $for_ever (br $for_ever))))
                (global.set $seen (i32.add (global.get $seen) (i32.const 1)))
                (local.set $list (i32.add (local.get $list) (i32.const 32)))
                (br $each)))";
        let assess = format!(
            "(i32.store8 (i32.const {ASSESSMENT})
                (select (i32.const 1) (i32.const 2) (i32.ge_u (global.get $seen) (i32.const 3))))
            (i32.store8 (i32.const {}) (i32.add (i32.const 48) (i32.rem_u (global.get $seen) (i32.const 10))))
            (i32.const {ASSESSMENT})",
            REASON + 5
        );
        Handmade {
            describe: format!("(i32.const {DESCRIPTION})"),
            configure: format!("(i32.const {CONFIGURED})"),
            observe: observe.into(),
            assess,
            imports: String::new(),
            items: String::new(),
            data: vec![
                (TEXTS, b"handmade1.0.0Counts.powerW{}".to_vec()),
                // name, version, purpose, signals, settings-schema
                (DESCRIPTION, words(&[TEXTS, 8, TEXTS + 8, 5, TEXTS + 13, 7, SIGNALS, 1, TEXTS + 26, 2])),
                // name, kind, unit, needed, purpose
                (SIGNALS, words(&[TEXTS + 20, 5, 0, TEXTS + 25, 1, 1, TEXTS + 13, 7])),
                (REFUSED, words(&[1, TEXTS + 13, 7])),
                (REASON, b"seen 0".to_vec()),
                // verdict, reason, evidence, (padding), clears-in
                (ASSESSMENT, words(&[0, REASON, 6, EVIDENCE, 0, 0, 0, 0, 0, 0])),
            ],
            contract: "1.0.0",
        }
    }
}

/// 32-bit words as they lie in memory.
pub(crate) fn words(words: &[usize]) -> Vec<u8> {
    words.iter().flat_map(|word| u32::try_from(*word).unwrap().to_le_bytes()).collect()
}

impl Handmade {
    /// As `cargo build` would leave it: a plain module with the contract's types in a section of its own.
    pub(crate) fn file(&self) -> Vec<u8> {
        let data: String = self.data.iter().map(|(at, bytes)| data_segment(*at, bytes)).collect();
        let Handmade { describe, configure, observe, assess, imports, items, contract, .. } = self;
        let export =
            |function| format!(r#"(export "idlegate:detector/busy-detector@{contract}#{function}")"#);
        let text = format!(
            r#"(module
            {imports}
            (memory (export "memory") 4)
            (global $seen (mut i32) (i32.const 0))
            (global $heap (mut i32) (i32.const 65536))
            (func (export "cabi_realloc") (param i32 i32 i32) (param $bytes i32) (result i32) (local $at i32)
                (if (i32.gt_u (global.get $heap) (i32.const 150000)) (then (global.set $heap (i32.const 65536))))
                (local.set $at (global.get $heap))
                (global.set $heap (i32.and (i32.const -8)
                    (i32.add (i32.const 7) (i32.add (local.get $at) (local.get $bytes)))))
                (local.get $at))
            (func {} (result i32) {describe})
            (func {} (param i32 i32) (result i32) {configure})
            (func {} (param $list i32) (param $count i32) {observe})
            (func {} (param $now i64) (result i32) {assess})
            {data} {items})"#,
            export("describe"),
            export("configure"),
            export("observe"),
            export("assess"),
        );
        let mut module = wat::parse_str(text).unwrap();
        let wit =
            include_str!("../../../../sdk/wit/v1/detector.wit").replace("@1.0.0", &format!("@{contract}"));
        embed(&mut module, &wit, "detector");
        if imports.contains("last-words") {
            embed(&mut module, include_str!("../../../../sdk/wit/last-words/last-words.wit"), "speaks-up");
        }
        module
    }
}

/// Puts the contract's types into a section of a module.
pub(crate) fn embed(module: &mut Vec<u8>, wit: &str, world: &str) {
    let mut resolve = wit_parser::Resolve::default();
    let package = resolve.push_str("contract.wit", wit).unwrap();
    let world = resolve.select_world(&[package], Some(world)).unwrap();
    let encoding = wit_component::StringEncoding::UTF8;
    wit_component::embed_component_metadata(module, &resolve, world, encoding).unwrap();
}

fn data_segment(at: usize, bytes: &[u8]) -> String {
    let escaped: String = bytes.iter().map(|byte| format!("\\{byte:02x}")).collect();
    format!("(data (i32.const {at}) \"{escaped}\")")
}
