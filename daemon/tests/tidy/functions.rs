//! Functions that fit no screen.

use super::source::{Source, end_of_item};

const LINES_MAX: usize = 70;

/// Each of them with its place and its length.
pub(crate) fn too_long(source: &Source) -> Vec<String> {
    let code = source.shipped_code();
    let mut found = Vec::new();
    for (start, name) in functions(&code) {
        let end = end_of_item(&code, start).unwrap_or(code.len());
        let lines = code[start..end].lines().count();
        if lines > LINES_MAX {
            let line = code[..start].lines().count();
            found.push(format!("{}:{line}: {name} has {lines} lines, {LINES_MAX} are enough", source.path));
        }
    }
    found
}

/// Where each function begins, and its name. The type of a function has no name.
fn functions(code: &str) -> impl Iterator<Item = (usize, &str)> {
    code.match_indices("fn ").filter_map(|(start, keyword)| {
        let is_word = !code[..start].ends_with(|before: char| before.is_alphanumeric() || before == '_');
        let name = &code[start + keyword.len()..];
        let name = &name[..name.find(|c: char| !c.is_alphanumeric() && c != '_')?];
        (is_word && !name.is_empty()).then_some((start, name))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn function(lines: usize) -> String {
        format!(
            "pub(crate) async fn press(\n    at: [u8; 2],\n) -> u8 {{\n{}}}\n",
            "    f();\n".repeat(lines - 4)
        )
    }

    #[test]
    fn a_function_of_one_line_too_many_is_found_and_one_that_fits_is_not() {
        let fits = Source::new("a.rs", &format!("{}{}", function(LINES_MAX), function(20)));
        assert_eq!(too_long(&fits), Vec::<String>::new());
        let long = Source::new("a.rs", &format!("\n\n{}", function(LINES_MAX + 1)));
        assert_eq!(too_long(&long), ["a.rs:3: press has 71 lines, 70 are enough"]);
    }

    #[test]
    fn a_function_in_a_test_may_be_longer() {
        let text = format!("#[cfg(test)]\nmod tests {{\n{}}}\n", function(200));
        assert_eq!(too_long(&Source::new("a.rs", &text)), Vec::<String>::new());
    }
}
