//! Words as people and voice relays write them: upper and lower case, and white space, make no difference.

/// The form in which two spellings of one name are equal: white space around it removed and inside it collapsed to one
/// space, and letters folded by Unicode's case mappings, so that "Straße", "STRASSE" and " straße " are one.
pub fn fold(text: &str) -> String {
    let collapsed = text.split_whitespace().collect::<Vec<_>>().join(" ");
    // Upper case merges what folding merges (ß and SS, ς and σ); lower case on either side of it takes care of the
    // letters that have only one of the two.
    collapsed.to_lowercase().to_uppercase().chars().flat_map(char::to_lowercase).collect()
}

/// Whether taking `said` for `name` would turn what may be an off into an on: nobody is ever asked "did you mean on?"
/// then.
pub fn turns_into_on(said: &str, name: &str) -> bool {
    let last = |text: &str| fold(text).rsplit([' ', '-', '_', '.']).next().unwrap_or_default().to_owned();
    last(name) == "on" && !last(said).starts_with("on")
}

/// The known name that was probably meant.
pub fn nearest<'a>(said: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let said = fold(said);
    // Somebody else's name is not a misspelling of a short one.
    let tolerated = 1 + said.chars().count() / 4;
    let distance = |name: &str| strsim::damerau_levenshtein(&said, &fold(name));
    let known = known.into_iter().filter(|name| !turns_into_on(&said, name));
    let near = known.map(|name| (distance(name), name)).min_by_key(|(distance, _)| *distance);
    near.filter(|(distance, _)| *distance <= tolerated).map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_that_unicode_folds_to_one_are_one() {
        // Full case folding, Unicode's CaseFolding.txt, as Python has it: tests/published/spellings.py.
        for line in include_str!("../../../../tests/published/spellings.tsv").lines().skip(2) {
            let cells: Vec<&str> = line.split('\t').collect();
            assert_eq!(fold(cells[0]) == fold(cells[1]), cells[2] == "one", "{line}");
        }
    }

    #[test]
    fn white_space_around_and_inside_makes_no_difference() {
        assert_eq!(fold("  The\t big\u{a0} mill\n"), "the big mill");
        assert_eq!(fold(" \t"), "");
    }

    #[test]
    fn the_nearest_name_is_told_only_if_it_is_near() {
        let known = ["mill", "the big mill", "kiln"];
        assert_eq!(nearest("teh big mill", known), Some("the big mill"));
        assert_eq!(nearest("Kilm", known), Some("kiln"));
        assert_eq!(nearest("lamp", known), None);
        assert_eq!(nearest("mill", []), None);
    }

    #[test]
    fn what_may_be_an_off_is_never_taken_for_an_on() {
        assert_eq!(nearest("of", ["on", "off"]), Some("off"));
        assert_eq!(nearest("turn of", ["turn on", "turn off"]), Some("turn off"));
        assert_eq!(nearest("of", ["on"]), None);
        assert_eq!(nearest("onn", ["on", "off"]), Some("on"));
    }
}
