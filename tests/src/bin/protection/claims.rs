//! What README says of the recordings, held against what was measured. The figures stand in README alone.

use anyhow::{Context, Result, ensure};

use super::Measured;

const README: &str = include_str!("../../../../README.md");

/// Sentences of README, with `{}` for each figure, in digits or as a word.
const USUAL: &str =
    "power could have been cut in {} of {} jobs on the other days of {} household and office appliances";
const WATER_COOLER: &str = "{} of these jobs, more than half, are a water cooler's";
const HARDER: &str = "on {} harder meters it could have been cut in {} of {} jobs, where a plain learnt dwell would have lost {}";

/// Fails where README says anything else of this part of the recordings.
pub(crate) fn check(part: &str, measured: &Measured) -> Result<()> {
    let meters = measured.meters();
    let [calibrated, learnt, _] = &measured.totals;
    match part {
        "power" => {
            hold(USUAL, &[calibrated.hit, calibrated.jobs, meters])?;
            let coolers = measured.jobs_of("waterfountain");
            ensure!(2 * coolers > calibrated.jobs, "a water cooler's jobs are no more than half: {coolers}");
            hold(WATER_COOLER, &[coolers])
        }
        "power-hard" => hold(HARDER, &[meters, calibrated.hit, calibrated.jobs, learnt.hit]),
        other => panic!("README says nothing of {other}"),
    }
}

fn hold(sentence: &str, measured: &[usize]) -> Result<()> {
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
fn figures(text: &str, sentence: &str) -> Option<Vec<usize>> {
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

fn number(word: &str) -> Option<usize> {
    const WORDS: [&str; 13] = [
        "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
        "twelve",
    ];
    let lower = word.to_ascii_lowercase();
    word.parse().ok().or_else(|| WORDS.iter().position(|known| *known == lower))
}

fn filled(sentence: &str, figures: &[usize]) -> String {
    figures.iter().fold(sentence.to_owned(), |text, figure| text.replacen("{}", &figure.to_string(), 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without the recordings nothing else notices that a claim was reworded out of the proof's sight.
    #[test]
    fn every_sentence_stands_in_readme() {
        for sentence in [USUAL, WATER_COOLER, HARDER] {
            let said = figures(README, sentence).unwrap();
            hold(sentence, &said).unwrap();
            for wrong in 0..said.len() {
                let mut other = said.clone();
                other[wrong] += 1;
                assert!(hold(sentence, &other).is_err(), "{sentence}: {other:?}");
            }
        }
    }

    #[test]
    fn figures_are_read_in_digits_and_in_words_over_line_breaks() {
        let text = "So it was.\nOn four harder meters it could\nhave been cut in 13 of 110 jobs, where a plain \
                    learnt dwell would have lost none. The end";
        assert_eq!(figures(text, HARDER), Some(vec![4, 13, 110, 0]));
        assert_eq!(figures(&text.replace("harder", "other"), HARDER), None);
        assert_eq!(figures(&text.replace("110", "many"), HARDER), None);
    }
}
