//! A number as rules read it: bare, with its unit behind it, with the decimal mark of its sender, or a word that stands
//! for it. Nothing is guessed: what could be two numbers is none.

use super::rejection::Rejection;
use super::units;
use idlegate_plan::text::bounded;
use idlegate_plan::{Decimal, NumberSignal};

/// No unit is longer.
const UNIT_CHARS_MAX: usize = 16;

/// The reading that a number stands for; `beside` is the unit that the same record names.
pub(super) fn of_number(rules: &NumberSignal, number: f64, beside: Option<&str>) -> Result<f64, Rejection> {
    match beside.filter(|_| as_it_comes(rules) && !rules.unit.is_empty()) {
        Some(said) => units::in_unit(number, said, &rules.unit).ok_or_else(|| other_unit(said, &rules.unit)),
        // Whoever wrote a scale or an offset has thought of the unit that the sender's records name.
        None => Ok(number * rules.scale + rules.offset),
    }
}

/// The reading that a text stands for. A unit in it counts, since senders that write one change it as they like.
pub(super) fn of_text(rules: &NumberSignal, text: &str, beside: Option<&str>) -> Result<f64, Rejection> {
    let text = text.trim();
    if let Some((_, value)) = rules.values.iter().find(|(word, _)| word == text) {
        return Ok(*value);
    }
    let (number, behind) = parse(rules.decimal, text)?;
    let Some(said) = behind else { return of_number(rules, number, beside) };
    if let Some(beside) = beside.filter(|beside| *beside != said) {
        return Err(other_unit(said, beside));
    }
    let code = units::code(said).or((said == rules.unit).then_some(rules.unit.as_str()));
    let Some(code) = code else { return Err(Rejection::UnknownUnit(bounded(text))) };
    if rules.unit.is_empty() {
        return Err(Rejection::UnitNotDeclared { said: said.to_owned(), code: code.to_owned() });
    }
    let ratio = units::ratio(said, &rules.unit).ok_or_else(|| other_unit(said, &rules.unit))?;
    // A scale that says the same as the unit leaves no doubt; with any other the two could be meant one upon the other.
    if !as_it_comes(rules) && (rules.offset != 0.0 || ratio.factor() != rules.scale) {
        return Err(Rejection::UnitAndScale(said.to_owned()));
    }
    Ok(ratio.of(number))
}

/// Whether a text is a number by itself, with either decimal mark, so that as a word it could mean two things.
pub fn reads_as_number(text: &str) -> bool {
    [Decimal::Point, Decimal::Comma].into_iter().any(|decimal| parse(decimal, text.trim()).is_ok())
}

fn as_it_comes(rules: &NumberSignal) -> bool {
    rules.scale == 1.0 && rules.offset == 0.0
}

fn other_unit(said: &str, wanted: &str) -> Rejection {
    Rejection::OtherUnit { said: bounded(said), wanted: bounded(wanted) }
}

/// A number and what stands behind it, neither of them with white space around it.
fn parse(decimal: Decimal, text: &str) -> Result<(f64, Option<&str>), Rejection> {
    let none = || Rejection::NotANumber(bounded(text));
    let (mark, other) = match decimal {
        Decimal::Point => (b'.', ','),
        Decimal::Comma => (b',', '.'),
    };
    let (number, tail) = text.split_at(number_end(text.as_bytes(), mark).ok_or_else(none)?);
    if tail.starts_with(other) {
        return Err(wrong_mark(decimal, text));
    }
    let unit = tail.trim_start();
    // "1,234,5", "1 234", "12-3", "1'234": more than one number, or one that is written in a way nobody agreed on.
    let begins_otherwise = |char: char| char.is_ascii_digit() || "+-.,'_\u{2019}".contains(char);
    if unit.starts_with(begins_otherwise) || unit.chars().nth(UNIT_CHARS_MAX).is_some() {
        return Err(none());
    }
    let parsed: Result<f64, _> = match decimal {
        Decimal::Point => number.parse(),
        Decimal::Comma => number.replacen(',', ".", 1).parse(),
    };
    match parsed {
        Ok(number) if number.is_finite() => Ok((number, Some(unit).filter(|unit| !unit.is_empty()))),
        // 1e400 is a number, but none that a meter can mean.
        Ok(_) => Err(Rejection::NotFinite(bounded(text))),
        Err(_) => Err(none()),
    }
}

/// Where the number ends that the text begins with: sign, digits around one mark, exponent. Rust would also read "inf",
/// "nan" and "infinity": not here.
fn number_end(text: &[u8], mark: u8) -> Option<usize> {
    let digits = |from: usize| text[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    let sign = |at: usize| usize::from(matches!(text.get(at), Some(b'+' | b'-')));
    let mut end = sign(0);
    let mut count = digits(end);
    end += count;
    if text.get(end) == Some(&mark) {
        let more = digits(end + 1);
        count += more;
        end += 1 + more;
    }
    if count == 0 {
        return None;
    }
    if matches!(text.get(end), Some(b'e' | b'E')) {
        let begin = end + 1 + sign(end + 1);
        let more = digits(begin.min(text.len()));
        // Without digits it is no exponent, but the first letter of what stands behind the number.
        end = if more > 0 { begin + more } else { end };
    }
    Some(end)
}

fn wrong_mark(decimal: Decimal, text: &str) -> Rejection {
    let marks = text.chars().filter(|char| matches!(char, '.' | ',')).count();
    if marks > 1 {
        return Rejection::Separators(bounded(text));
    }
    match decimal {
        Decimal::Point => Rejection::DecimalComma(bounded(text)),
        Decimal::Comma => Rejection::DecimalPoint(bounded(text)),
    }
}

#[cfg(test)]
mod tests;
