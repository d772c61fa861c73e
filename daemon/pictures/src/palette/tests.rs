//! What could go wrong: somebody who sees no difference between red and green takes a working machine for an idle one,
//! a mark drowns in its ground, or a machine that only does its work looks like an alarm.

use super::vision::{Eyes, Light, contrast, difference, lab, light_of_hex, light_of_index};
use super::*;

/// WCAG 2.2, success criterion 1.4.11, for what is drawn.
const CONTRAST_DRAWN_MIN: f64 = 3.0;
/// WCAG 2.2, success criterion 1.4.3, for what is written.
const CONTRAST_TEXT_MIN: f64 = 4.5;
/// Our own choice: nearly ten times what an eye can just tell (ΔE*ab of 2.3: Mahy, Van Eycken and Oosterlinck, 1994,
/// from memory), for small marks on cheap screens.
const DIFFERENCE_MIN: f64 = 20.0;
/// Without the cones for blue, which is far rarer, a little less must do.
const DIFFERENCE_TRITANOPIA_MIN: f64 = 15.0;

const BLACK: Light = [0.0; 3];
const WHITE: Light = [1.0; 3];

/// A ground or two, and what stands on it.
struct Set {
    name: &'static str,
    grounds: Vec<Light>,
    roles: Vec<(ColourRole, Light)>,
}

fn sets() -> Vec<Set> {
    let all = |colour: fn(Tint) -> Option<Light>| {
        ColourRole::ALL.into_iter().filter_map(|role| Some((role, colour(role.tint())?))).collect()
    };
    vec![
        Set {
            name: "light",
            grounds: vec![light_of_hex(LIGHT.ground)],
            roles: all(|tint| Some(light_of_hex(tint.light))),
        },
        Set {
            name: "dark",
            grounds: vec![light_of_hex(DARK.ground)],
            roles: all(|tint| Some(light_of_hex(tint.dark))),
        },
        Set {
            name: "terminal",
            grounds: vec![BLACK, WHITE],
            roles: all(|tint| tint.terminal.map(light_of_index)),
        },
    ]
}

#[test]
fn the_formulas_give_what_their_sources_say() {
    let close = |one: f64, other: f64| (one - other).abs() < 0.01;
    // WCAG: from 1 to 21; the lightness of white is 100 and of mid grey (#777777) 50.03.
    assert!(close(contrast(BLACK, WHITE), 21.0) && close(contrast(WHITE, WHITE), 1.0));
    assert!(close(lab(WHITE)[0], 100.0) && close(lab(light_of_hex("#777777"))[0], 50.03));
    // A grey that just passes on white, and one that just fails (common practice, no source).
    assert!(
        contrast(light_of_hex("#767676"), WHITE) >= 4.5 && contrast(light_of_hex("#777777"), WHITE) < 4.5
    );
    // A grey stays a grey for everybody, and pure red and a green of its lightness become hard to tell.
    for eyes in Eyes::ALL {
        let grey = light_of_hex("#808080");
        assert!(difference(eyes.see(grey), grey) < 1.0, "{eyes:?}");
    }
    let (red, green) = (light_of_hex("#d00000"), light_of_hex("#5f7000"));
    let apart = |eyes: Eyes| difference(eyes.see(red), eyes.see(green));
    assert!(apart(Eyes::Usual) > 4.0 * apart(Eyes::Deuteranopia), "{}", apart(Eyes::Deuteranopia));
}

#[test]
fn every_colour_stands_out_from_its_ground() {
    for Set { name, grounds, roles } in sets() {
        for (role, light) in roles {
            for ground in &grounds {
                let contrast = contrast(light, *ground);
                assert!(contrast >= CONTRAST_DRAWN_MIN, "{name}: {role:?} {contrast:.2}");
            }
        }
    }
}

/// Names of levels are written in the colour of work.
#[test]
fn whatever_is_written_can_be_read() {
    for (paper, working) in
        [(LIGHT, ColourRole::Working.tint().light), (DARK, ColourRole::Working.tint().dark)]
    {
        for colour in [paper.ink, paper.soft, working] {
            let contrast = contrast(light_of_hex(colour), light_of_hex(paper.ground));
            assert!(contrast >= CONTRAST_TEXT_MIN, "{colour} on {}: {contrast:.2}", paper.ground);
        }
    }
}

/// With usual eyes, and with each of the three kinds of cones missing; from the ink, too, in which jobs and obeyed
/// requests are drawn.
#[test]
fn everybody_can_tell_any_two_roles_apart() {
    for Set { name, roles, .. } in sets() {
        let ink = match name {
            "light" => Some(LIGHT.ink),
            "dark" => Some(DARK.ink),
            _ => None,
        };
        let mut colours: Vec<_> = roles.iter().map(|(role, light)| (format!("{role:?}"), *light)).collect();
        colours.extend(ink.map(|ink| ("ink".to_owned(), light_of_hex(ink))));
        for eyes in Eyes::ALL {
            for (nth, (one, of_one)) in colours.iter().enumerate() {
                for (other, of_other) in &colours[..nth] {
                    let apart = difference(eyes.see(*of_one), eyes.see(*of_other));
                    let min = match eyes {
                        Eyes::Usual | Eyes::Protanopia | Eyes::Deuteranopia => DIFFERENCE_MIN,
                        Eyes::Tritanopia => DIFFERENCE_TRITANOPIA_MIN,
                    };
                    assert!(apart >= min, "{name}, {eyes:?}: {one} and {other} {apart:.1}");
                }
            }
        }
    }
}

/// Hues in CIELAB: red is at 40°, orange at 65°, crimson at 10°. What is nearly grey has none.
#[test]
fn only_what_is_urgent_is_anywhere_near_red() {
    for Set { name, roles, .. } in sets() {
        for (role, light) in roles {
            let [_, a, b] = lab(light);
            let hue = b.atan2(a).to_degrees().rem_euclid(360.0);
            let reddish = a.hypot(b) > 15.0 && !(75.0..340.0).contains(&hue);
            assert_eq!(reddish, role == ColourRole::Urgent, "{name}: {role:?} has the hue {hue:.0}");
        }
    }
}

#[test]
fn no_two_roles_have_the_same_shape() {
    let mut marks: Vec<_> = ColourRole::ALL.map(ColourRole::mark).to_vec();
    marks.sort_unstable();
    marks.dedup();
    assert_eq!(marks.len(), ColourRole::ALL.len());
}

/// A colour that is written anywhere else is one that none of these tests looks at.
#[test]
fn no_other_file_has_colours_of_its_own() {
    let own = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![own.parent().unwrap().to_path_buf()];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() && path != own.join("src/palette") {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                let own = text.lines().filter(|line| has_a_colour(line));
                found.extend(own.map(|line| format!("{}: {line}", path.display())));
            }
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

fn has_a_colour(line: &str) -> bool {
    let named =
        ["Red", "Green", "Blue", "Yellow", "Magenta", "Cyan", "Gray", "DarkGray", "White", "Black", "Rgb"];
    let hex = line.split('#').skip(1).any(|rest| {
        let digits = rest.chars().take_while(char::is_ascii_hexdigit).count();
        let ends = !rest.chars().nth(digits).is_some_and(|next| next.is_alphanumeric() || next == '_');
        [3, 6].contains(&digits) && ends
    });
    let by_name = named.iter().any(|name| line.contains(&format!("Color::{name}")));
    hex || by_name || ["rgb(", "hsl("].iter().any(|function| line.contains(function))
}
