//! The page itself, in one piece: nothing else is ever fetched for it but its own events.

use std::sync::LazyLock;

use bytes::Bytes;
use hyper::header::HeaderValue;
use sha2::{Digest as _, Sha256};

use idlegate_pictures::palette::{ColourRole, DARK, LIGHT, Paper, Tint};

const HTML: &str = include_str!("web/page.html");
const STYLE: &str = include_str!("web/page.css");
const SCRIPT: &str = include_str!("web/page.js");

#[derive(Debug)]
pub(crate) struct Document {
    pub(crate) html: Bytes,
    /// What a browser may do with it (Content Security Policy): run this script and use this style sheet, both known by
    /// their digests, and hear our events.
    pub(crate) policy: HeaderValue,
}

pub(crate) static DOCUMENT: LazyLock<Document> = LazyLock::new(|| {
    let style = format!("{}{STYLE}", colours());
    let policy = format!(
        "default-src 'none'; script-src 'sha256-{}'; style-src 'sha256-{}'; connect-src 'self'; img-src data:; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'",
        digest(SCRIPT),
        digest(&style)
    );
    Document {
        html: Bytes::from(HTML.replace("{style}", &style).replace("{script}", SCRIPT)),
        policy: HeaderValue::from_str(&policy).expect("digests are plain text"),
    }
});

/// The colours of whatever shows a state, in light and in dark.
fn colours() -> String {
    let on = |paper: Paper, of: fn(Tint) -> &'static str| {
        let Paper { ground, ink, soft, rule } = paper;
        let [working, idle, not_known, off, held, urgent] = ColourRole::ALL.map(|role| of(role.tint()));
        format!(
            "--ground:{ground};--ink:{ink};--soft:{soft};--rule:{rule};--working:{working};--idle:{idle};\
             --not-known:{not_known};--off:{off};--held:{held};--urgent:{urgent}"
        )
    };
    let (light, dark) = (on(LIGHT, |tint| tint.light), on(DARK, |tint| tint.dark));
    format!(":root{{{light}}}\n@media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n")
}

fn digest(text: &str) -> String {
    base64(&Sha256::digest(text))
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let bits =
            three.iter().fold(0_u32, |bits, byte| bits << 8 | u32::from(*byte)) << (8 * (3 - three.len()));
        for place in 0..4 {
            let digit = DIGITS[(bits >> (18 - 6 * place) & 63) as usize];
            text.push(if place <= three.len() { char::from(digit) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of RFC 4648, section 10 (from memory).
    #[test]
    fn a_digest_is_written_as_the_standard_wants_it() {
        for (plain, written) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), written);
        }
    }

    /// Or a browser would not run what the policy does not know.
    #[test]
    fn nothing_stands_in_the_page_that_its_policy_does_not_let_in() {
        let html = std::str::from_utf8(&DOCUMENT.html).unwrap();
        assert_eq!((html.matches("<script>").count(), html.matches("<style>").count()), (1, 1));
        for foreign in [" src=", "style=", "https://", "@import", "url(", " onclick", "innerHTML", "eval("] {
            assert!(!html.contains(foreign), "{foreign} in the page");
        }
        // A name that nobody fetches.
        assert_eq!(html.matches("http://").count(), html.matches("http://www.w3.org/2000/svg").count());
    }
}
