//! Who may say what is kept: whoever knows the secret of the rules. Each note bears a keyed digest (HMAC-SHA-256, RFC
//! 2104) of the topic it belongs to and of everything it says, the revision included, so that a note is good for
//! nothing elsewhere, and an old one for nothing later. Without a secret every note that has the right form counts, and
//! only the broker's access list says who may write one.

use ring::hmac;

use idlegate_plan::Secret;

#[derive(Clone, Default)]
pub struct Seal(Option<hmac::Key>);

/// The note was not written by anybody who knows the secret, or not for this topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unsealed {
    #[error(
        "it bears no digest, but these rules have a secret for it; a guard without the secret may have written it"
    )]
    Missing,
    #[error(
        "its digest is wrong: it was not written by a guard with the same secret, or was meant for another topic"
    )]
    Wrong,
}

impl Seal {
    /// An empty secret is none: whoever only checks the rules may not be able to read it.
    pub fn new(secret: Option<&Secret>) -> Seal {
        let secret = secret.map(Secret::expose).filter(|secret| !secret.is_empty());
        Seal(secret.map(|secret| hmac::Key::new(hmac::HMAC_SHA256, secret.as_bytes())))
    }

    pub fn is_closed(&self) -> bool {
        self.0.is_some()
    }

    pub fn digest(&self, topic: &str, text: &str) -> Option<String> {
        let tag = hmac::sign(self.0.as_ref()?, &sealed(topic, text));
        Some(tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect())
    }

    pub fn check(&self, topic: &str, text: &str, digest: Option<&str>) -> Result<(), Unsealed> {
        let Some(key) = &self.0 else { return Ok(()) };
        let digest = bytes(digest.ok_or(Unsealed::Missing)?).ok_or(Unsealed::Wrong)?;
        hmac::verify(key, &sealed(topic, text), &digest).map_err(|_| Unsealed::Wrong)
    }
}

impl std::fmt::Debug for Seal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(if self.is_closed() { "Seal(hidden)" } else { "Seal(none)" })
    }
}

/// A topic has no NUL.
fn sealed(topic: &str, text: &str) -> Vec<u8> {
    [b"idlegate kept 1\0", topic.as_bytes(), b"\0", text.as_bytes()].concat()
}

fn bytes(digest: &str) -> Option<Vec<u8>> {
    let digits = digest.as_bytes();
    let pair = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
    digits.len().is_multiple_of(2).then(|| digits.chunks(2).map(pair).collect())?
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seal(secret: &str) -> Seal {
        Seal::new(Some(&Secret::new(secret.to_owned())))
    }

    #[test]
    fn a_digest_counts_for_its_own_topic_text_and_secret() {
        let ours = seal("correct horse");
        let digest = ours.digest("idlegate/kept/mill", "text").unwrap();
        assert_eq!(ours.check("idlegate/kept/mill", "text", Some(&digest)), Ok(()));
        for (topic, text, by) in [
            ("idlegate/kept/kiln", "text", "correct horse"),
            ("idlegate/kept/mill", "texts", "correct horse"),
            ("idlegate/kept/mill", "text", "battery staple"),
        ] {
            assert_eq!(
                seal(by).check(topic, text, Some(&digest)),
                Err(Unsealed::Wrong),
                "{topic} {text} {by}"
            );
        }
        for odd in ["", "zz", "abc", &digest[..32], &format!("{digest}00"), "é"] {
            assert_eq!(ours.check("idlegate/kept/mill", "text", Some(odd)), Err(Unsealed::Wrong), "{odd}");
        }
        assert_eq!(ours.check("idlegate/kept/mill", "text", None), Err(Unsealed::Missing));
        assert!(!format!("{ours:?}").contains("horse"));
    }

    /// RFC 4231, section 4.3 (test case 2), checks the keyed digest itself.
    #[test]
    fn the_keyed_digest_is_the_one_of_the_standard() {
        let key = hmac::Key::new(hmac::HMAC_SHA256, b"Jefe");
        let tag = hmac::sign(&key, b"what do ya want for nothing?");
        let hex: String = tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hex, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843");
    }

    #[test]
    fn without_a_secret_every_note_counts_and_none_bears_a_digest() {
        for open in [Seal::default(), seal("")] {
            assert_eq!(open.digest("topic", "text"), None);
            assert_eq!(open.check("topic", "text", Some("00")), Ok(()));
        }
    }
}
