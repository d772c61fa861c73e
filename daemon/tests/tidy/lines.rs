//! Lines that fit no window.

const COLUMNS_MAX: usize = 120;

/// Of comments: rustfmt wraps code, and leaves sentences in quotes whole. A row of a table has to be whole, too. SDK
/// and plugins wait for their next change: where a detector panicked is a line number in the components.
pub(crate) fn too_long(path: &str, text: &str) -> Vec<String> {
    if path.starts_with("sdk/") || path.starts_with("plugins/") {
        return Vec::new();
    }
    let wraps = |line: &str| {
        let comment = line.trim_start().strip_prefix("//");
        comment.is_some_and(|it| !it.trim_start_matches(['/', '!', ' ']).starts_with('|'))
    };
    let long = (1..).zip(text.lines()).filter(|(_, line)| wraps(line) && line.chars().count() > COLUMNS_MAX);
    long.map(|(number, line)| format!("{path}:{number}: {} columns", line.chars().count())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comment_of_one_column_too_many_is_found() {
        let of = |columns| "\u{e9}".repeat(columns);
        let text = format!(
            "// {}\n// {}\n//! | {} |\nlet it = \"{}\";\n",
            of(COLUMNS_MAX - 3),
            of(COLUMNS_MAX - 2),
            of(COLUMNS_MAX),
            of(COLUMNS_MAX)
        );
        assert_eq!(too_long("a.rs", &text), ["a.rs:2: 121 columns"]);
    }
}
