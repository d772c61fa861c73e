//! Could go wrong in the workshop: a press on a topic nobody thought of, counted twice or not at all.

use super::Purpose;
use super::normalise::normalise;
use idlegate_plan::topic::{BadFilter, Filter, covers, is_topic, matches};

/// OASIS MQTT 5.0 section 4.7.1 (wildcards) and 4.7.2 (topics beginning with $), in the order of the text.
#[test]
fn the_examples_of_the_standard_match_as_it_says() {
    for (filter, topic, expected) in [
        // 4.7.1.2 multi-level wildcard
        ("sport/tennis/player1/#", "sport/tennis/player1", true),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
        ("sport/#", "sport", true),
        ("#", "sport/tennis/player1", true),
        ("#", "/", true),
        ("sport/tennis/#", "sport/tennis", true),
        ("sport/tennis/#", "sport/badminton", false),
        // 4.7.1.3 single-level wildcard
        ("sport/tennis/+", "sport/tennis/player1", true),
        ("sport/tennis/+", "sport/tennis/player2", true),
        ("sport/tennis/+", "sport/tennis/player1/ranking", false),
        ("sport/+", "sport", false),
        ("sport/+", "sport/", true),
        ("+", "sport", true),
        ("+/tennis/#", "sport/tennis", true),
        ("+/tennis/#", "sport/tennis/player1", true),
        ("sport/+/player1", "sport/tennis/player1", true),
        ("sport/+/player1", "sport/tennis/player2", false),
        ("+/+", "/finance", true),
        ("/+", "/finance", true),
        ("+", "/finance", false),
        // 4.7.2 topics beginning with $
        ("#", "$SYS/monitor/Clients", false),
        ("+/monitor/Clients", "$SYS/monitor/Clients", false),
        ("$SYS/#", "$SYS/monitor/Clients", true),
        ("$SYS/#", "$SYS/", true),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
        // 4.7.3 semantics: case, spaces and slashes count
        ("ACCOUNTS", "Accounts", false),
        ("Accounts payable", "Accounts payable", true),
        ("/finance", "finance", false),
        ("/", "/", true),
        ("+/+", "/", true),
        // A $ further down is an ordinary character.
        ("shop/+/state", "shop/$odd/state", true),
        // Characters of several bytes, at the beginning and within.
        ("#", "Ünit/Fräse", true),
        ("+/Fräse", "Ünit/Fräse", true),
        ("工作/+", "工作/铣床", true),
        ("工作", "工", false),
    ] {
        assert_eq!(matches(filter, topic), expected, "{filter} on {topic}");
    }
}

/// 4.7.1: which filters are valid. 4.7.3: at least one character, no NUL.
#[test]
fn the_examples_of_the_standard_are_valid_or_not_as_it_says() {
    let long = "a".repeat(1_025);
    for (text, expected) in [
        ("sport/tennis/#", Ok(())),
        ("#", Ok(())),
        ("sport/tennis#", Err(BadFilter::PartOfLevel)),
        ("sport/tennis/#/ranking", Err(BadFilter::HashInside)),
        ("+", Ok(())),
        ("+/tennis/#", Ok(())),
        ("sport+", Err(BadFilter::PartOfLevel)),
        ("sport/+/player1", Ok(())),
        ("/", Ok(())),
        ("", Err(BadFilter::Empty)),
        ("a\0b", Err(BadFilter::Nul)),
        ("##", Err(BadFilter::PartOfLevel)),
        ("$share/group/a", Err(BadFilter::Shared)),
        (&long, Err(BadFilter::TooLong)),
    ] {
        assert_eq!(Filter::new(text).map(|_| ()), expected, "{text}");
    }
}

#[test]
fn a_topic_has_no_wildcards_no_nul_and_an_end() {
    for good in ["a", "/", "a//b", "Fräse", &"a".repeat(1_024)] {
        assert!(is_topic(good), "{good}");
    }
    for bad in ["", "a/+", "#", "a\0", &"a".repeat(1_025)] {
        assert!(!is_topic(bad), "{bad:?}");
    }
}

#[test]
fn a_filter_covers_another_when_it_matches_all_its_topics() {
    for (wide, narrow, expected) in [
        ("a/b", "a/b", true),
        ("a/+", "a/b", true),
        ("a/b", "a/+", false),
        ("a/#", "a", true),
        ("a/#", "a/#", true),
        ("a/#", "a/+/c/#", true),
        ("a/+", "a/#", false),
        ("+/+", "a/#", false),
        ("#", "+", true),
        ("+", "#", false),
        ("a/+/c", "a/b/+", false),
        ("#", "$SYS/x", false),
        ("+/x", "$SYS/x", false),
        ("$SYS/#", "$SYS/x", true),
        ("a", "a/b", false),
        ("a/b", "a", false),
    ] {
        assert_eq!(covers(wide, narrow), expected, "{wide} over {narrow}");
    }
}

/// Against a brute-force check: covering means exactly that no topic tells the two apart.
#[test]
fn covering_agrees_with_matching_on_every_small_topic() {
    let words = ["a", "b", "", "$x"];
    let filter_words = ["a", "b", "+", "#", "$x"];
    let combine = |words: &[&str]| {
        let mut all: Vec<String> = words.iter().map(|word| word.to_string()).collect();
        let mut last = all.clone();
        for _ in 0..2 {
            last =
                last.iter().flat_map(|head| words.iter().map(move |word| format!("{head}/{word}"))).collect();
            all.extend(last.clone());
        }
        all
    };
    let topics: Vec<String> = combine(&words).into_iter().filter(|topic| is_topic(topic)).collect();
    let filters: Vec<String> =
        combine(&filter_words).into_iter().filter(|text| Filter::new(text).is_ok()).collect();
    for wide in &filters {
        for narrow in &filters {
            let by_topics = topics.iter().all(|topic| !matches(narrow, topic) || matches(wide, topic));
            // Topics of up to three levels cannot show that "a/b/c/#" goes further than "a/b/c".
            if covers(wide, narrow) {
                assert!(by_topics, "{wide} is said to cover {narrow}");
            } else if !narrow.ends_with('#') {
                assert!(!by_topics, "{wide} is said not to cover {narrow}");
            }
        }
    }
}

fn set(wanted: &[(&str, Purpose)]) -> Vec<(Filter, Purpose)> {
    wanted.iter().map(|(filter, kind)| (Filter::new(filter).unwrap(), *kind)).collect()
}

#[test]
fn a_set_loses_what_is_covered_and_keeps_the_stronger_kind() {
    use Purpose::{Input, State};
    for (wanted, expected) in [
        (vec![], vec![]),
        (vec![("a", Input), ("a", Input)], vec![("a", Input)]),
        (vec![("a", Input), ("a", State)], vec![("a", State)]),
        (vec![("a/b", State), ("a/#", Input)], vec![("a/#", State)]),
        (vec![("a/#", State), ("a/b", Input)], vec![("a/#", State)]),
        (vec![("b", Input), ("a", Input), ("c", State)], vec![("c", State), ("a", Input), ("b", Input)]),
        (vec![("a/+/c", Input), ("a/b/+", State)], vec![("a/b/+", State), ("a/+/c", Input)]),
        (vec![("x/1", State), ("y/1", Input), ("+/1", Input), ("#", Input)], vec![("#", State)]),
    ] {
        assert_eq!(normalise(&set(&wanted)), set(&expected), "{wanted:?}");
    }
}
