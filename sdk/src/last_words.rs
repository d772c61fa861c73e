//! A panic in words, for the host to tell people: its text and its line.

/// The host cuts it further; a longer one is not even handed over.
const BYTES_MAX: usize = 500;

/// "index out of bounds: the len is 3 but the index is 7 (src/lib.rs:42)"
pub(crate) fn words(text: &str, place: Option<(&str, u32)>) -> String {
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let end = (0..=BYTES_MAX.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
    let text = if text.is_empty() { "without a word" } else { &text[..end] };
    match place {
        Some((file, line)) => format!("{text} ({}:{line})", short(file)),
        None => text.to_owned(),
    }
}

/// Where the crate lies on the computer that built it is nobody's business: "serde-1.0.228/src/de/mod.rs".
fn short(file: &str) -> &str {
    if !file.starts_with(['/', '\\']) && !file.contains(':') {
        return file;
    }
    let source = file.rfind("/src/").or_else(|| file.rfind("\\src\\"));
    let from = source.map_or(file, |at| &file[..at]).rfind(['/', '\\']);
    from.map_or(file, |at| &file[at + 1..])
}

/// Tells the host why, whenever this detector panics.
#[cfg(target_arch = "wasm32")]
pub(crate) fn tell_the_host() {
    std::panic::set_hook(Box::new(|panic| {
        let payload = panic.payload();
        let text = payload.downcast_ref::<&str>().copied();
        let text = text.or_else(|| payload.downcast_ref::<String>().map(String::as_str)).unwrap_or_default();
        let place = panic.location().map(|place| (place.file(), place.line()));
        crate::guest::last_words::idlegate::host::last_words::panicked(&words(text, place));
    }));
}

#[cfg(test)]
mod tests {
    use super::{BYTES_MAX, words};

    #[test]
    fn a_panic_is_one_line_with_its_place_and_without_the_makers_folders() {
        for (text, file, told) in [
            ("index out of bounds", "src/lib.rs", "index out of bounds (src/lib.rs:42)"),
            (
                "assertion failed\n  left: 1\n right: 2",
                "src/cut.rs",
                "assertion failed left: 1 right: 2 (src/cut.rs:42)",
            ),
            ("", "/home/ann/laser/src/lib.rs", "without a word (laser/src/lib.rs:42)"),
            (
                "no",
                "/home/ann/.cargo/registry/src/x-1f/serde-1.0.2/src/de.rs",
                "no (serde-1.0.2/src/de.rs:42)",
            ),
            ("no", r"C:\Users\ann\laser\src\lib.rs", r"no (laser\src\lib.rs:42)"),
            ("no", "/library/core.rs", "no (core.rs:42)"),
        ] {
            assert_eq!(words(text, Some((file, 42))), told);
        }
        assert_eq!(words(&"ä".repeat(400), None).len(), BYTES_MAX);
    }
}
