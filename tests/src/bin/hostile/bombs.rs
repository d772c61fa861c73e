//! Files that are small and cost the compiler dearly: each is a working detector with one function more, and nothing
//! shows from outside but what the compiler makes of it. Whatever it costs, it costs a process of its own.

use std::fmt::Write as _;
use std::time::Instant;

use anyhow::{Context, Result};
use idlegate_tests::detectors::entangled;

use crate::corpus::Host;
use crate::handmade::Handmade;

/// What the host itself may grow by while a file is refused. The bombs take hundreds of megabytes.
const GROWTH_KIB_MAX: u64 = 64 << 10;

const SLOWEST: &str = "9,900 functions of 370 bytes";

pub(crate) struct Sum {
    pub(crate) tried: usize,
    pub(crate) surprises: usize,
    pub(crate) growth_kib: u64,
}

struct Bomb {
    name: &'static str,
    items: String,
    /// What the reason may say; more than one where it depends on the computer which limit comes first.
    told: &'static [&'static str],
}

/// The short form leaves out the one that takes the compiler to its limit of time.
pub(crate) fn run(only: &str, short: bool) -> Result<Sum> {
    let host = Host::new()?;
    let bombs: Vec<(Bomb, Vec<u8>)> = bombs()
        .into_iter()
        .filter(|bomb| bomb.name.contains(only) && !(short && bomb.name == SLOWEST))
        .map(|bomb| {
            let file = Handmade { items: bomb.items.clone(), ..Handmade::default() }.file();
            (bomb, file)
        })
        .collect();
    // Writing them took memory as well; from here on the peak is that of the host (clear_refs in proc(5)).
    std::fs::write("/proc/self/clear_refs", "5")?;
    let before = peak_kib()?;
    let mut sum = Sum { tried: 0, surprises: 0, growth_kib: 0 };
    for (bomb, file) in &bombs {
        let begun = Instant::now();
        let loaded = host.load(file);
        let seconds = begun.elapsed().as_secs_f64();
        let told = loaded.err().unwrap_or_else(|| "loaded".to_owned());
        let as_expected = bomb.told.iter().any(|words| told.contains(words));
        sum.tried += 1;
        sum.surprises += usize::from(!as_expected);
        let mark = if as_expected { "" } else { "UNEXPECTED: " };
        println!("{:<44} {mark}{told} ({} bytes, {seconds:.1} s)", bomb.name, file.len());
    }
    sum.growth_kib = peak_kib()?.saturating_sub(before);
    println!("the host itself has grown by {} KiB", sum.growth_kib);
    sum.surprises += usize::from(sum.growth_kib > GROWTH_KIB_MAX);
    Ok(sum)
}

/// The most that this process ever held, as the system counts it.
fn peak_kib() -> Result<u64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).context("no VmHWM")?;
    Ok(line.trim().trim_end_matches(" kB").parse()?)
}

fn bomb(name: &'static str, told: &'static [&'static str], items: String) -> Bomb {
    Bomb { name, items, told }
}

fn repeated(count: usize, text: impl Fn(usize) -> String) -> String {
    (0..count).fold(String::new(), |mut all, nth| {
        // A text never fails to take more.
        let _ = write!(all, "{}", text(nth));
        all
    })
}

fn locals(count: usize) -> String {
    format!("(local {})", "i64 ".repeat(count))
}

fn bombs() -> Vec<Bomb> {
    let nested =
        |depth: usize, inside: &str| format!("{}{inside}{}", "(block ".repeat(depth), ")".repeat(depth));
    let table = |depth: usize, targets: usize| repeated(targets, |nth| format!("{} ", nth % depth));
    vec![
        bomb("40,000 variables", &["local variables"], format!("(func {})", locals(40_000))),
        bomb(
            "1,900 variables through 2,000 loops",
            &["s to compile", "memory to compile"],
            entangled(1_900, 2_000),
        ),
        bomb("1,900 variables through 2,300 loops", &["would take too long"], entangled(1_900, 2_300)),
        bomb(
            "blocks inside each other, 20,000 deep",
            &["inside each other"],
            format!("(func {})", nested(20_000, "")),
        ),
        bomb(
            "branch tables of 30,000 targets",
            &["branches in tables"],
            format!("(func {})", nested(400, &format!("(br_table {} (i32.const 1))", table(400, 30_000)))),
        ),
        bomb(
            "values on the stack",
            ANY,
            format!(
                "(func (param i64) (result i64) {} {})",
                "(i64.mul (local.get 0) (i64.load (i32.const 8))) ".repeat(9_000),
                "i64.rotl ".repeat(8_999)
            ),
        ),
        bomb("900 values through 2,000 calls", &["parameters and results"], {
            let values = "i64 ".repeat(900);
            format!(
                "(type $many (func (param {values}) (result {values}))) (func $same (type $many) {}) (func (type $many) {} {})",
                repeated(900, |at| format!("(local.get {at})")),
                repeated(900, |at| format!("(local.get {at})")),
                "(call $same) ".repeat(2_000)
            )
        }),
        bomb("40 values through 40,000 calls", ANY, {
            let values = "i64 ".repeat(20);
            let own = repeated(20, |at| format!("(local.get {at})"));
            format!(
                "(type $many (func (param {values}) (result {values}))) (func $same (type $many) {own})
                (func (type $many) {own} {})",
                "(call $same) ".repeat(40_000)
            )
        }),
        bomb("40 values through 20,000 branches", ANY, {
            let values = "i64 ".repeat(20);
            let own = repeated(20, |at| format!("(local.get {at})"));
            format!(
                "(type $many (func (param {values}) (result {values})))
                (func (type $many) {} {own} (br_table {} (i32.const 1)) {})",
                format!("(block (result {values}) ").repeat(480),
                table(480, 19_000),
                ")".repeat(480)
            )
        }),
        bomb("1,900 variables in 490 loops inside each other", ANY, {
            let change =
                repeated(1_900, |at| format!("(local.set {at} (i64.add (local.get {at}) (i64.const 3)))"));
            let again = "(br_if 0 (i64.eqz (local.get 0)))) ".repeat(490);
            format!("(func {} {} {change} {again})", locals(1_900), "(loop ".repeat(490))
        }),
        bomb("9,900 tiny functions", ANY, "(func)".repeat(9_900)),
        bomb(SLOWEST, ANY, {
            let body =
                "(local.set 0 (i64.mul (local.get 0) (i64.load (i32.wrap_i64 (local.get 0)))))".repeat(35);
            format!("(func (param i64) {body})").repeat(9_900)
        }),
        bomb("vectors", ANY, {
            let body = "(local.set 0 (i64x2.mul (i8x16.popcnt (i8x16.shr_s (local.get 0) (i32.const 3))) (f32x4.nearest (local.get 0))))".repeat(6_000);
            format!("(func (param v128) {body})")
        }),
        bomb("values that live long", ANY, {
            let made = repeated(10_000, |_| "(i64.load (i32.const 8)) (call $nothing) ".to_owned());
            format!("(func $nothing) (func (result i64) {made} {})", "i64.xor ".repeat(9_999))
        }),
    ]
}

/// Either it is small enough after all, or one of the limits stops it, whichever comes first on this computer.
const ANY: &[&str] = &["loaded", "s to compile", "memory to compile", "nested too deeply"];
