//! Which text of the rules must not be shown again. A slip beside a password (`pasword = "…"`, `user = "…"`) makes a
//! problem of the very line that holds it, and problems end up on screens and in logs.

/// Whether the byte at `at` stands in a line whose value may be a secret: under `[broker]`, or beside a key that sounds
/// like one. Where a value only says where the secret is to be found, it may be shown.
pub(super) fn is_confidential(text: &str, at: usize) -> bool {
    let line_start = text[..at].rfind('\n').map_or(0, |newline| newline + 1);
    let line = text[line_start..].split('\n').next().unwrap_or_default();
    let (key, value) = line.split_once('=').unwrap_or((line, ""));
    if says_where(value) {
        return false;
    }
    sounds_secret(key)
        || header_name(line).is_none() && (begins_with_broker(key) || is_under_broker(&text[..line_start]))
}

/// The line as it may be shown: the key, and nothing behind it.
pub(super) fn masked(line: &str) -> String {
    match line.split_once('=') {
        Some((key, _)) => format!("{key}= …"),
        None => "…".to_owned(),
    }
}

/// The whole text as it may be shown, line for line.
pub fn without_secrets(text: &str) -> String {
    let mut told = String::with_capacity(text.len());
    let mut at = 0;
    // Of a value that goes on over the lines below.
    let mut end = None;
    for line in text.split_inclusive('\n') {
        let bare = line.trim_end_matches(['\n', '\r']);
        let is_hidden = !bare.trim().is_empty() && is_confidential(text, at);
        if let Some(open) = end {
            told.push('…');
            end = Some(open).filter(|open| !bare.contains(*open));
        } else if is_hidden {
            told.push_str(&masked(bare));
            end = goes_on_until(bare);
        } else {
            told.push_str(bare);
        }
        told.push_str(&line[bare.len()..]);
        at += line.len();
    }
    told
}

/// What ends the value that this line begins and does not end.
fn goes_on_until(line: &str) -> Option<&'static str> {
    let (_, value) = line.split_once('=')?;
    let open = [("\"\"\"", "\"\"\""), ("'''", "'''")];
    let quoted = open.into_iter().find(|(begin, _)| value.matches(begin).count() == 1);
    let listed = value.trim_start().starts_with('[') && !value.contains(']');
    quoted.map(|(_, end)| end).or_else(|| listed.then_some("]"))
}

/// The message without what it quotes from the value; what it quotes of the key stays.
pub(super) fn without_quotes(message: &str, key: &str) -> String {
    let mut told = String::with_capacity(message.len());
    for (index, part) in message.split('"').enumerate() {
        if index > 0 {
            told.push('"');
        }
        let is_quoted = index % 2 == 1;
        told.push_str(if is_quoted && !key.contains(part) { "…" } else { part });
    }
    told
}

/// The key of the line with the byte at `at`, or its table.
pub(super) fn key_at(text: &str, at: usize) -> &str {
    let line_start = text[..at].rfind('\n').map_or(0, |newline| newline + 1);
    let line = text[line_start..].split('\n').next().unwrap_or_default();
    line.split('=').next().unwrap_or_default()
}

fn says_where(value: &str) -> bool {
    let Some(inside) = value.trim_start().strip_prefix('{') else { return false };
    let inside = inside.trim_start();
    ["env", "file", "credential"]
        .iter()
        .any(|place| inside.strip_prefix(place).is_some_and(|rest| rest.trim_start().starts_with('=')))
}

/// Whoever misspells such a key misses by a letter or two.
pub(super) fn sounds_secret(key: &str) -> bool {
    const SECRETS: [&str; 6] = ["password", "passphrase", "passwd", "secret", "token", "credential"];
    let words = key.split(|c: char| !c.is_ascii_alphanumeric()).map(str::to_ascii_lowercase);
    words.filter(|word| word.len() > 3).any(|word| {
        SECRETS.iter().any(|secret| word.contains(secret) || strsim::osa_distance(&word, secret) <= 2)
    })
}

pub(super) fn begins_with_broker(key: &str) -> bool {
    let first = key.split('.').next().unwrap_or_default();
    first.trim().trim_matches(['"', '\'']) == "broker"
}

/// Whether the last table opened before is the broker's or one of its parts. Only what surely opens another table ends
/// it: in an array of several lines, a line may look a little like one.
fn is_under_broker(before: &str) -> bool {
    before.lines().filter_map(header_name).next_back().is_some_and(begins_with_broker)
}

fn header_name(line: &str) -> Option<&str> {
    let line = line.split('#').next().unwrap_or_default().trim();
    let name = line.strip_prefix('[')?.strip_suffix(']')?;
    let name = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name).trim();
    let is_key = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ');
    (!name.is_empty() && (name.chars().all(is_key) || begins_with_broker(name))).then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_hidden(text: &str) -> bool {
        is_confidential(text, text.find("canary").expect("the secret is there"))
    }

    #[test]
    fn a_secret_is_hidden_wherever_somebody_puts_it() {
        for text in [
            "[broker]\npassword = \"canary\"",
            "[broker]\npasword = \"canary\"",
            "[broker]\nhost = \"a\"\nlogin = \"canary\"",
            "[ \"broker\" ]\nkey = \"canary\"",
            "[broker.tls]\nkey = \"canary\"",
            "[broker]\nkey = \"\"\"\n[other\"]\ncanary\"\"\"",
            "[broker]\nkeys = [\n[\"a\"],\n\"canary\"]",
            "broker.pass = \"canary\"",
            "broker = { host = \"a\", pass = \"canary\" }",
            "title = \"Shop\"\npassword = \"canary\"",
            "passwrod = \"canary\"",
            "[stand_by]\nsecret = \"canary\"",
            "[broker]\npassword = { value = \"canary\" }",
            "[broker]\npassword \"canary\"",
        ] {
            assert!(is_hidden(text), "{text}");
        }
    }

    #[test]
    fn what_is_no_secret_is_shown() {
        for text in [
            "title = \"canary\"",
            "[broker]\npassword = { env = \"canary\" }",
            "[broker]\npassword = { file = \"canary\" }",
            "[broker]\nhost = \"a\"\n\n[monitoring] # page\nlisten = \"canary\"",
            "[[signals]]\ntopic = \"canary\"",
        ] {
            assert!(!is_hidden(text), "{text}");
        }
    }

    #[test]
    fn a_whole_text_keeps_its_lines_and_loses_its_secrets() {
        let text = "title = \"Shop\"\r\n# the password is canary\n[broker]\nhost = \"canary\"\n\npassword = { env = \"PW\" }\n\
                    [guard]\ntoken = \"\"\"\ncanary\ncanary\"\"\"\nsecrets = [\n\"canary\",\n]\nwindow = \"10s\"";
        let shown = "title = \"Shop\"\r\n…\n[broker]\nhost = …\n\npassword = { env = \"PW\" }\n\
                     [guard]\ntoken = …\n…\n…\nsecrets = …\n…\n…\nwindow = \"10s\"";
        assert_eq!(without_secrets(text), shown);
    }

    #[test]
    fn a_message_keeps_the_key_and_loses_the_value() {
        assert_eq!(
            without_quotes("\"pasword\" takes text, not \"canary\"", "pasword "),
            "\"pasword\" takes text, not \"…\""
        );
        assert_eq!(masked("  pasword = \"canary\""), "  pasword = …");
    }
}
