//! Tokens for those who ask from afar: drawn from a secret that the service hands in, so that the engine itself needs
//! no chance.

use sha2::{Digest, Sha256};

use idlegate_guard::Token;

/// Without what look alike: it is read from one screen and typed on another.
const ALPHABET: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
const LETTERS: usize = 8;
const BITS_OF_LETTER: u32 = 5;

pub(super) struct Tokens {
    seed: [u8; 32],
    drawn: u64,
}

impl std::fmt::Debug for Tokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(hidden)")
    }
}

impl Tokens {
    pub(super) fn new(seed: [u8; 32]) -> Tokens {
        Tokens { seed, drawn: 0 }
    }

    /// Whoever has seen all those before cannot tell the next one.
    pub(super) fn draw(&mut self) -> Token {
        self.drawn += 1;
        let mut hash = Sha256::new();
        hash.update(self.seed);
        hash.update(self.drawn.to_be_bytes());
        let drawn: [u8; 32] = hash.finalize().into();
        let letters = drawn.iter().take(LETTERS).map(|byte| u64::from(byte % 32));
        Token(letters.fold(0, |token, letter| token << BITS_OF_LETTER | letter))
    }
}

/// As it is written in an answer: `k7pm-2xqd`.
pub fn token_text(token: Token) -> String {
    let mut text = String::with_capacity(LETTERS + 1);
    for place in (0..LETTERS).rev() {
        if place == LETTERS / 2 - 1 {
            text.push('-');
        }
        let shift = BITS_OF_LETTER * u32::try_from(place).expect("there are a handful of letters");
        let letter = usize::try_from(token.0 >> shift & 31).expect("five bits");
        text.push(char::from(ALPHABET[letter]));
    }
    text
}

/// What cannot be one is none, and then nothing has been confirmed.
pub(super) fn parse_token(text: &str) -> Option<Token> {
    let mut token = 0;
    let mut letters = 0;
    for byte in text.bytes().filter(|byte| !matches!(byte, b'-' | b' ')) {
        let byte = match byte.to_ascii_lowercase() {
            b'o' => b'0',
            b'i' | b'l' => b'1',
            byte => byte,
        };
        let value = ALPHABET.iter().position(|letter| *letter == byte)?;
        token = token << BITS_OF_LETTER | u64::try_from(value).ok()?;
        letters += 1;
        if letters > LETTERS {
            return None;
        }
    }
    (letters == LETTERS).then_some(Token(token))
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn a_token_comes_back_as_it_was_given_even_by_a_clumsy_hand() {
        let mut tokens = Tokens::new([7; 32]);
        let mut seen = HashSet::new();
        for _ in 0..1_000 {
            let token = tokens.draw();
            assert!(seen.insert(token.0), "no token is given twice");
            let text = token_text(token);
            assert_eq!(text.len(), 9, "{text}");
            assert_eq!(parse_token(&text), Some(token));
            let clumsy = text.to_uppercase().replace('0', "O").replace('1', "l").replace('-', " ");
            assert_eq!(parse_token(&clumsy), Some(token), "{clumsy}");
        }
        for none in ["", "k7pm", "k7pm-2xq", "k7pm-2xqdd", "k7pm-2xqu", "é7pm-2xqd"] {
            assert_eq!(parse_token(none), None, "{none:?}");
        }
    }

    #[test]
    fn another_secret_gives_other_tokens_and_nothing_shows_them() {
        assert_ne!(Tokens::new([1; 32]).draw(), Tokens::new([2; 32]).draw());
        assert_eq!(format!("{:?} {:?}", Tokens::new([1; 32]), Token(42)), "(hidden) (hidden)");
    }
}
