//! Parts of Rust's standard library that compile for the sandbox, and fail or do nothing there: where a source uses
//! them.
//!
//! A look at the text, so that it can be told before anybody waits for a detector that stops. It warns, and forbids
//! nothing.

use std::fmt;
use std::path::{Path, PathBuf};

use idlegate_os::files;

const FILES_MAX: usize = 200;
const FILE_BYTES_MAX: u64 = 1 << 20;
/// Nobody reads on.
const GAPS_MAX: usize = 10;

const NO_CLOCK: &str = "panics in the sandbox, where there is no clock: use the time passed to assess";
const NO_THREADS: &str = "panics in the sandbox, where there are no threads";
const UNSEEN: &str = "says it to nobody in the sandbox: say it in the reason";
const NO_FILES: &str = "always fails in the sandbox, where there are no files";
const NO_ENVIRONMENT: &str = "finds nothing in the sandbox, where there is no environment: use settings";
const NO_NETWORK: &str = "always fails in the sandbox, where there is no network";

const KNOWN: [(&str, &str); 14] = [
    ("Instant::now", NO_CLOCK),
    ("SystemTime::now", NO_CLOCK),
    ("thread::sleep", NO_CLOCK),
    ("thread::spawn", NO_THREADS),
    ("eprintln!", UNSEEN),
    ("eprint!", UNSEEN),
    ("println!", UNSEEN),
    ("print!", UNSEEN),
    ("dbg!", UNSEEN),
    ("File::open", NO_FILES),
    ("fs::read", NO_FILES),
    ("env::var", NO_ENVIRONMENT),
    ("TcpStream::", NO_NETWORK),
    ("UdpSocket::", NO_NETWORK),
];

/// One use of what is not there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gap {
    pub file: PathBuf,
    pub line: usize,
    what: &'static str,
    why: &'static str,
}

impl fmt::Display for Gap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Gap { file, line, what, why } = self;
        write!(f, "{}:{line}: {what} {why}", file.display())
    }
}

/// In all files below a crate's `src`, by their order.
pub(super) fn in_source(src: &Path) -> Vec<Gap> {
    let mut sources = Vec::new();
    let mut folders = vec![src.to_owned()];
    while let Some(folder) = folders.pop() {
        for path in std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()) {
            let is_test = path.file_stem().is_some_and(|stem| stem == "tests");
            if path.is_dir() && !is_test && !path.is_symlink() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") && !is_test {
                sources.push(path);
            }
        }
    }
    sources.sort();
    sources.truncate(FILES_MAX);
    let mut gaps = Vec::new();
    for path in sources {
        let Ok(text) = files::read_text(&path, FILE_BYTES_MAX) else { continue };
        let file =
            path.strip_prefix(src).map_or_else(|_| path.clone(), |inside| Path::new("src").join(inside));
        gaps.extend(in_text(&file, &text));
    }
    gaps.truncate(GAPS_MAX);
    gaps
}

/// Up to the tests at its end, which run outside the sandbox.
fn in_text(file: &Path, text: &str) -> Vec<Gap> {
    let lines =
        (1..).zip(text.lines()).take_while(|(_, line)| !line.trim_start().starts_with("#[cfg(test)]"));
    let found = |(line, text): (usize, &str)| {
        let code = text.split("//").next().unwrap_or_default();
        let (what, why) = KNOWN.into_iter().find(|(what, _)| uses(code, what))?;
        Some(Gap { file: file.to_owned(), line, what, why })
    };
    lines.filter_map(found).collect()
}

/// Not as the end of another word: `my_println!` is somebody's own.
fn uses(code: &str, what: &str) -> bool {
    code.match_indices(what)
        .any(|(at, _)| !code[..at].ends_with(|before: char| before.is_alphanumeric() || before == '_'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fails_in_the_sandbox_is_found_in_code_and_neither_in_comments_nor_in_tests() {
        let text = "use std::time::Instant;\nlet begun = Instant::now(); // Instant::now\n// println!(\"x\")\n\
                    my_println!(\"x\");\n    println!(\"x\");\n#[cfg(test)]\nmod tests { println!() }\n";
        let told: Vec<String> =
            in_text(Path::new("src/lib.rs"), text).iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "src/lib.rs:2: Instant::now panics in the sandbox, where there is no clock: use the time passed to assess",
                "src/lib.rs:5: println! says it to nobody in the sandbox: say it in the reason",
            ]
        );
    }
}
