//! Detector files that are no good to anybody: small ones that cost the compiler dearly.

use std::fmt::Write as _;

/// Loops one after the other, each of which changes one of many variables; at the end all are needed. Module items in
/// the text format.
pub fn entangled(variables: usize, loops: usize) -> String {
    let mut text =
        format!("(global $sink (mut i64) (i64.const 0)) (func (local {})", "i64 ".repeat(variables));
    // A text never fails to take more.
    for nth in 0..loops {
        let at = nth % variables;
        let _ = write!(
            text,
            "(loop (local.set {at} (i64.add (local.get {at}) (i64.const 1))) (br_if 0 (i64.eqz (local.get {at}))))"
        );
    }
    for at in 0..variables {
        let _ = write!(text, "(global.set $sink (i64.xor (global.get $sink) (local.get {at})))");
    }
    text + ")"
}
