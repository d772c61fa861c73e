//! What a reason says, whatever its numbers: so that a figure that moves is not told as news with every reading.

/// "tube current 17 mA, busy above 1 mA" and "tube current 18.3 mA, busy above 1 mA" have the same one, and so have
/// "for 45 s" and "for 1 min 30 s".
pub(super) fn gist(reason: &str) -> String {
    let mut words: Vec<&str> = Vec::new();
    let mut after_number = false;
    for word in reason.split_whitespace() {
        let bare = word.trim_matches(|c: char| !c.is_alphanumeric());
        let is_time = after_number && ["d", "h", "min", "s", "ms"].contains(&bare);
        after_number = bare.starts_with(|c: char| c.is_ascii_digit());
        if after_number {
            if words.last() != Some(&"#") {
                words.push("#");
            }
        } else if !is_time {
            words.push(word);
        }
    }
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::gist;

    #[test]
    fn another_figure_is_no_other_reason_and_another_word_is() {
        for (one, other, same) in [
            ("4 W, busy above 40 W", "4.1 W, busy above 40 W", true),
            ("90 W, busy above 40 W", "90 W, idle only below 35 W", false),
            (
                "4 W for 50 s, idle after 3 min below 40 W",
                "-4 W for 1 min 10 s, idle after 3 min below 40 W",
                true,
            ),
            (
                "the fumes are being drawn off for another 2 min 5 s",
                "the fumes are being drawn off for another 0 s",
                true,
            ),
            ("no reading of power for 30 s", "no reading of power yet", false),
            ("it stopped (src/lib.rs:42)", "it stopped (src/cut.rs:42)", false),
        ] {
            assert_eq!(gist(one) == gist(other), same, "{one} / {other}");
        }
    }
}
