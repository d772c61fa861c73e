//! What a reader would stumble over: a function that fits no screen, a map that leaves out a room, one name for two
//! things, a door that nobody uses. What has to stay is listed beside each check, with its reason.

#![expect(clippy::unwrap_used, reason = "a test's own files")]

mod functions;
mod lines;
mod map;
mod names;
mod source;

use source::{Source, everything};

/// What is shipped. A test, and a program that proves something, may tell its story in one piece.
fn ours() -> Vec<Source> {
    everything().into_iter().filter(Source::is_shipped).collect()
}

#[test]
fn every_function_fits_a_screen() {
    let long: Vec<String> = ours().iter().flat_map(functions::too_long).collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn every_line_fits_a_window() {
    let long: Vec<String> =
        everything().iter().flat_map(|source| lines::too_long(&source.path, &source.text)).collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn the_map_for_developers_names_every_crate_and_nothing_that_is_not_there() {
    let faults = map::faults_of_developers_page();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn a_table_of_modules_names_every_module() {
    let missing: Vec<String> = ours().iter().flat_map(map::missing_modules).collect();
    assert!(missing.is_empty(), "{}", missing.join("\n"));
}

#[test]
fn no_name_of_a_type_stands_for_two_things() {
    // The SDK has the words of those who write detectors, and a detector is a world of its own.
    let daemon: Vec<Source> = ours().into_iter().filter(|it| it.path.starts_with("daemon/")).collect();
    let faults = names::of_two_types(&daemon, &names::SHARED);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn whatever_is_public_has_a_user_in_another_crate() {
    let faults = names::without_user(&ours(), &everything(), &names::FOR_OTHERS);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
