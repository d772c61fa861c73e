//! A file that costs too much to compile ends with the process that compiles it: told why, and nobody else notices.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::fixture::{Handmade, name, number};
use crate::{Execution, Instance, LoadError, Loader, Pin, Sandbox};
use idlegate_guard::time::Moment;

fn loader(execution: Execution) -> Loader {
    Loader::new(Sandbox::new(execution).unwrap(), None)
}

fn refusal(loader: &Loader, detector: &Handmade) -> LoadError {
    loader.load(&detector.file(), Pin::None).unwrap_err()
}

/// Not a test: the process that compiles, where the program is the runner of these tests.
#[test]
#[ignore = "started by the tests that compile something"]
fn the_far_side() {
    if let Err(why) = crate::compiler::compile_what_is_there() {
        panic!("{why}");
    }
}

#[test]
fn a_file_is_compiled_in_a_process_of_its_own_and_works() {
    for execution in [Execution::Native, Execution::Interpreted] {
        let module = loader(execution).load(&Handmade::default().file(), Pin::None).unwrap();
        let mut instance = Instance::new(&module, "{}", [name("power")].into()).unwrap();
        instance.observe(&[number(1, 5.0)]).unwrap();
        assert_eq!(&*instance.assess(Moment(1)).unwrap().reason, "seen 1");
    }
}

#[test]
fn what_the_compiler_says_against_a_file_comes_back_in_its_words() {
    let refused = refusal(
        &loader(Execution::Interpreted),
        &Handmade { assess: "(i64.const 1)".into(), ..Handmade::default() },
    );
    assert!(
        matches!(&refused, LoadError::NotComponentized(why) if why.contains("type mismatch")),
        "{refused}"
    );
}

#[test]
fn a_program_that_cannot_compile_is_told_as_such() {
    for (program, why) in [("/no/such/program", "No such file"), ("/bin/true", "this program cannot compile")]
    {
        let loader = loader(Execution::Interpreted).compiling_with(PathBuf::from(program));
        let refused = refusal(&loader, &Handmade::default()).to_string();
        assert!(
            refused.contains("the compiling process cannot be started") && refused.contains(why),
            "{refused}"
        );
    }
}

#[test]
fn whoever_has_no_time_gets_an_answer_at_once() {
    let late = loader(Execution::Interpreted).until(Some(Instant::now() - Duration::from_millis(1)));
    assert!(matches!(refusal(&late, &Handmade::default()), LoadError::PutOff));
}
