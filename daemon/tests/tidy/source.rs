//! Rust sources as text: what they say, without comments and texts.

use std::fs;
use std::path::{Path, PathBuf};

pub(crate) struct Source {
    /// From the root of the repository.
    pub(crate) path: String,
    pub(crate) text: String,
    /// The same lines, with the inside of comments and literals left out.
    pub(crate) code: String,
}

impl Source {
    pub(crate) fn new(path: &str, text: &str) -> Source {
        Source { path: path.to_owned(), text: text.to_owned(), code: without_literals(text) }
    }

    /// The folder of its crate.
    pub(crate) fn crate_folder(&self) -> &str {
        let end = ["/src/", "/tests/", "/build.rs"].iter().filter_map(|inner| self.path.find(inner)).min();
        &self.path[..end.unwrap_or(0)]
    }

    /// Part of what is shipped: no test, and no program that only proves something.
    pub(crate) fn is_shipped(&self) -> bool {
        let test_file = ["/tests/", "/template/"].iter().any(|part| self.path.contains(part))
            || self.path.ends_with("tests.rs");
        !test_file && ["daemon/", "sdk/", "plugins/"].iter().any(|part| self.path.starts_with(part))
    }

    /// Without the modules that only tests are compiled with.
    pub(crate) fn shipped_code(&self) -> String {
        let mut code = self.code.clone();
        while let Some(start) = code.find("#[cfg(test)]") {
            let Some(end) = end_of_item(&code, start) else { break };
            let lines = code[start..end].matches('\n').count();
            code.replace_range(start..end, &"\n".repeat(lines));
        }
        code
    }
}

pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Every Rust file that this repository is made of.
pub(crate) fn everything() -> Vec<Source> {
    let mut found = Vec::new();
    for part in ["daemon", "sdk", "plugins", "tests", "examples"] {
        gather(&root().join(part), &mut found);
    }
    assert!(found.len() > 300, "these are not all: {}", found.len());
    found
}

fn gather(folder: &Path, found: &mut Vec<Source>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        if path.is_dir() && name != "target" && !name.starts_with('.') {
            gather(&path, found);
        } else if name.ends_with(".rs") && path.is_file() {
            let shown = path.strip_prefix(root()).unwrap().to_str().unwrap().to_owned();
            found.push(Source::new(&shown, &fs::read_to_string(&path).unwrap()));
        }
    }
}

/// Where the item ends that begins here: behind its last brace, or its semicolon where it has none.
pub(crate) fn end_of_item(code: &str, start: usize) -> Option<usize> {
    let (mut braces, mut brackets) = (0_usize, 0_usize);
    for (at, c) in code[start..].char_indices() {
        match c {
            '(' | '[' => brackets += 1,
            ')' | ']' => brackets = brackets.checked_sub(1)?,
            '{' => braces += 1,
            '}' => {
                braces = braces.checked_sub(1)?;
                if braces == 0 && brackets == 0 {
                    return Some(start + at + 1);
                }
            }
            ';' if braces == 0 && brackets == 0 => return Some(start + at + 1),
            _ => {}
        }
    }
    None
}

/// The inside of comments, texts and characters may hold braces and words that mean nothing.
fn without_literals(text: &str) -> String {
    let mut code = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let ends_word = !code.ends_with(|last: char| last.is_alphanumeric() || last == '_');
        let skipped = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            block_comment(rest)
        } else if let Some(skipped) = text_literal(rest).filter(|_| ends_word || first == '"') {
            code.push_str("\"\"");
            skipped
        } else if let Some(skipped) = character(rest) {
            code.push_str("' '");
            skipped
        } else {
            code.push(first);
            rest = &rest[first.len_utf8()..];
            continue;
        };
        code.extend(rest[..skipped].chars().filter(|c| *c == '\n'));
        rest = &rest[skipped..];
    }
    code
}

/// Block comments may stand in each other.
fn block_comment(text: &str) -> usize {
    let (mut depth, mut at) = (0_usize, 0);
    while at < text.len() {
        let rest = &text[at..];
        if rest.starts_with("/*") {
            depth += 1;
            at += 2;
        } else if rest.starts_with("*/") {
            depth -= 1;
            at += 2;
            if depth == 0 {
                break;
            }
        } else {
            at += rest.chars().next().map_or(1, char::len_utf8);
        }
    }
    at
}

/// How long the text is that begins here: "…", r"…", r#"…"#, b"…" and their like.
fn text_literal(text: &str) -> Option<usize> {
    let prefix = text.len() - text.trim_start_matches(['b', 'r', 'c']).len();
    let hashes = text[prefix..].len() - text[prefix..].trim_start_matches('#').len();
    let raw = text[..prefix].contains('r');
    if prefix > 2 || (hashes > 0 && !raw) || !text[prefix + hashes..].starts_with('"') {
        return None;
    }
    let end = format!("\"{}", "#".repeat(hashes));
    let mut at = prefix + hashes + 1;
    while !text[at..].starts_with(&end) {
        let next = text[at..].chars().next()?;
        at += next.len_utf8();
        if next == '\\' && !raw {
            at += text[at..].chars().next()?.len_utf8();
        }
    }
    Some(at + end.len())
}

/// A character, and no lifetime: 'a', '\n', '\u{2014}'.
fn character(text: &str) -> Option<usize> {
    let inner = text.strip_prefix('\'')?;
    let mut chars = inner.char_indices();
    let (_, first) = chars.next()?;
    if first == '\\' {
        // What is escaped may be the mark itself.
        let (escaped, c) = chars.next()?;
        let from = escaped + c.len_utf8();
        return Some(1 + from + inner[from..].find('\'')? + 1);
    }
    let (end, mark) = chars.next()?;
    (mark == '\'' && first != '\'').then_some(1 + end + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn braces_in_texts_and_comments_are_no_braces() {
        let text = r##"
fn a() { // }
    let b = "}\"}" /* } /* } */ } */;
    let c = ['{', '\'', '\u{7d}'];
    let d: &'static str = r#"}"}"#;
}
"##;
        let code = Source::new("a.rs", text).code;
        assert_eq!(code.matches('{').count(), 1, "{code}");
        assert_eq!(code.matches('}').count(), 1, "{code}");
        assert_eq!(code.lines().count(), text.lines().count());
        assert!(code.contains("'static str"), "{code}");
    }

    #[test]
    fn what_only_tests_see_is_left_out() {
        let text =
            "fn a() {}\n#[cfg(test)]\nmod tests {\n    fn b() {}\n}\n#[cfg(test)]\nmod more;\nfn c() {}\n";
        let code = Source::new("a.rs", text).shipped_code();
        assert!(code.contains("fn a") && code.contains("fn c") && !code.contains("fn b"), "{code}");
        assert_eq!(code.lines().count(), text.lines().count());
    }
}
