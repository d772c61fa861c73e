//! What README says of the recordings, held against what was measured. The figures stand in README alone.

use anyhow::{Context, Result, ensure};

use super::curve::Curve;
use super::protocol::Judged;

const README: &str = include_str!("../../../../README.md");

/// Sentences of README, with `{}` for each figure, in digits or as a word.
const FIRST_DAY: &str = "on the other days of {} household and office appliances power could have been cut in {} of {} jobs, \
    where a plain dwell of three minutes would have lost {}";
const CONFIRMED: &str = "off was possible {} minutes after a job by the last day";

/// Fails where README says anything else of the recordings.
pub(crate) fn check(tables: &[Judged], curves: &[Curve]) -> Result<()> {
    let [first, _, confirmed, _] = tables else { panic!("there are four protocols") };
    let [jobs, hit, _, _] = first.counts();
    let plain =
        curves[0].plain.iter().find(|plain| plain.label == "180 s").context("no plain dwell of 180 s")?;
    hold(FIRST_DAY, &[count(first.rows.len()), count(hit), count(jobs), count(plain.hit)])?;
    let minutes = confirmed.release_minutes(true).context("nothing was released")?;
    hold(CONFIRMED, &[(minutes * 10.0).round() / 10.0])
}

fn count(count: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "there are few jobs")]
    let count = count as f64;
    count
}

fn hold(sentence: &str, measured: &[f64]) -> Result<()> {
    let said = figures(README, sentence).with_context(|| format!("README does not say: {sentence}"))?;
    let measured = measured.to_vec();
    ensure!(
        said == measured,
        "README says: {}\nbut it is: {}",
        filled(sentence, &said),
        filled(sentence, &measured)
    );
    println!("as README says: {}", filled(sentence, &measured));
    Ok(())
}

/// The figures of the first place that reads like the sentence, whatever its line breaks.
fn figures(text: &str, sentence: &str) -> Option<Vec<f64>> {
    let wanted: Vec<&str> = sentence.split_whitespace().map(bare).collect();
    let words: Vec<&str> = text.split_whitespace().map(bare).collect();
    words.windows(wanted.len()).find_map(|window| {
        let mut found = Vec::new();
        for (wanted, word) in wanted.iter().zip(window) {
            if *wanted == "{}" {
                found.push(number(word)?);
            } else if !wanted.eq_ignore_ascii_case(word) {
                return None;
            }
        }
        Some(found)
    })
}

fn bare(word: &str) -> &str {
    word.trim_matches(['.', ',', ';', ':', '(', ')'])
}

fn number(word: &str) -> Option<f64> {
    const WORDS: [&str; 13] = [
        "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
        "twelve",
    ];
    let lower = word.to_ascii_lowercase();
    word.parse().ok().or_else(|| WORDS.iter().position(|known| *known == lower).map(count))
}

fn filled(sentence: &str, figures: &[f64]) -> String {
    figures.iter().fold(sentence.to_owned(), |text, figure| text.replacen("{}", &figure.to_string(), 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without the recordings nothing else notices that a claim was reworded out of the proof's sight.
    #[test]
    fn every_sentence_stands_in_readme() {
        for sentence in [FIRST_DAY, CONFIRMED] {
            let said = figures(README, sentence).unwrap();
            hold(sentence, &said).unwrap();
            for wrong in 0..said.len() {
                let mut other = said.clone();
                other[wrong] += 1.0;
                assert!(hold(sentence, &other).is_err(), "{sentence}: {other:?}");
            }
        }
    }

    #[test]
    fn figures_are_read_in_digits_and_in_words_over_line_breaks() {
        let text = "So it was. By then\noff was possible 5.4\nminutes after a job by the last day. The end";
        assert_eq!(figures(text, CONFIRMED), Some(vec![5.4]));
        assert_eq!(figures(&text.replace("5.4", "five"), CONFIRMED), Some(vec![5.0]));
        assert_eq!(figures(&text.replace("5.4", "many"), CONFIRMED), None);
        assert_eq!(figures(&text.replace("job", "task"), CONFIRMED), None);
    }
}
