//! The story of the demo: an hour in an invented workshop, with every answer the guard must give.
//!
//! Its pauses keep to the guard's own times: the same gesture within two seconds would be one gesture, and a
//! force within a second of the press that was held would belong to that press.

use super::scene::{Beat, Condition, Doing, Scene, Story};
use crate::workshop::Truth;
use idlegate_engine::request_topic;
use idlegate_guard::Switch;
use idlegate_guard::time::Span;
use idlegate_messages::{Request, text};

use Condition::{DrawsLessThan, EveryRelay, JobsCut, Relay, Status};

const PREFIX: &str = "idlegate";
const PRINTER: &str = "filament-printer";
const LASER: &str = "laser-cutter";
const MILL: &str = "mill";
const KILN: &str = "kiln";
const EXTRACTOR: &str = "dust-extractor";
const ALL: [&str; 5] = [EXTRACTOR, PRINTER, KILN, LASER, MILL];

/// After this long, the same gesture is a new one and not the last one repeated.
const A_NEW_GESTURE_AFTER: Span = Span(2_200);
/// Longer than a hand takes from a press to a long press.
const A_SECOND_THOUGHT: Span = Span(1_300);
/// Long enough for an order to have done its work, had one been sent.
const A_WHILE: Span = Span(600);
const LEANED_ON_EVERY: Span = Span(400);
const LEANED_ON_TIMES: usize = 8;

pub fn story() -> Story {
    Story {
        prefix: PREFIX,
        opening: "Birch Lane workshop: five machines on five outlets, and one guard between the outlets and \
                  every button. One second here is one minute in the workshop. Nothing real is switched.",
        before: work_begins(),
        scenes: vec![
            idle_press(),
            press_in_mid_job(),
            forced_in_time(),
            forced_too_late(),
            leaned_on(),
            thermostat_pause(),
            another_route(),
            emergency(),
            released(),
        ],
        closing: "One print was given up by its owner, one firing was lost to a button that no guard can block, \
                  and the red button ended three jobs. Nothing that went through the guard was cut by accident.",
    }
}

fn work_begins() -> Vec<Beat> {
    let begin = |machine, minutes| {
        [Beat::Until(Condition::Truth(machine, Truth::Idle)), Beat::start_job(machine, minutes)]
    };
    let jobs = [begin(LASER, 50), begin(MILL, 90), begin(KILN, 300), begin(EXTRACTOR, 90)];
    let seen = [LASER, MILL, KILN, EXTRACTOR].map(|machine| Beat::Until(Status(machine, "busy")));
    jobs.into_iter().flatten().chain(seen).chain([Beat::Until(Status(PRINTER, "idle"))]).collect()
}

fn idle_press() -> Scene {
    Scene::new(
        "The printer has nothing to do",
        &[PRINTER],
        vec![
            Beat::Say("Mara passes the bench, sees the printer waiting, and presses its button."),
            press_bench(),
            Beat::answer(PRINTER, "acted", "machine-idle"),
            Beat::See(Relay(PRINTER, Switch::Off), "The outlet is off."),
        ],
    )
}

fn press_in_mid_job() -> Scene {
    Scene::new(
        "The same button, in the middle of a print",
        &[PRINTER],
        vec![
            Beat::Say("Another press switches the printer on again, and Mara starts a print."),
            Beat::Pause(A_NEW_GESTURE_AFTER),
            press_bench(),
            Beat::answer(PRINTER, "acted", "switching-on"),
            Beat::Until(Condition::Truth(PRINTER, Truth::Idle)),
            Beat::start_job(PRINTER, 90),
            Beat::Until(Status(PRINTER, "busy")),
            Beat::Pause(A_NEW_GESTURE_AFTER),
            Beat::Say("Theo tidies up for the evening and presses the button in passing."),
            press_bench(),
            Beat::answer(PRINTER, "held", "machine-busy"),
            Beat::hear(PRINTER, "held"),
            Beat::Pause(A_WHILE),
            Beat::Until(Relay(PRINTER, Switch::On)),
            Beat::See(Condition::Truth(PRINTER, Truth::Working), "The print goes on."),
        ],
    )
}

fn forced_in_time() -> Scene {
    Scene::new(
        "Asked twice, on purpose",
        &[PRINTER],
        vec![
            Beat::Say("Mara has heard it too. Her print has come off the bed, so she holds the button down."),
            Beat::Pause(A_SECOND_THOUGHT),
            Beat::send("buttons/bench", r#"{"button":"held down"}"#),
            Beat::answer(PRINTER, "acted", "forced-in-window"),
            Beat::hear(PRINTER, "forced"),
            Beat::See(Relay(PRINTER, Switch::Off), "The outlet is off, and the print is given up."),
            Beat::Until(JobsCut(PRINTER, 1)),
        ],
    )
}

fn forced_too_late() -> Scene {
    Scene::new(
        "On purpose, but too late",
        &[LASER],
        vec![
            Beat::Say("The laser is cutting. Ines presses its button, and is called away."),
            Beat::send("buttons/laser", "press"),
            Beat::answer(LASER, "held", "machine-busy"),
            Beat::hear(LASER, "held"),
            Beat::hear(LASER, "window-over"),
            Beat::Say(
                "She comes back and holds the button down. The window has closed, so that is a first request again.",
            ),
            Beat::Pause(A_WHILE),
            Beat::send("buttons/laser", "long-press"),
            Beat::answer(LASER, "held", "machine-busy"),
            Beat::hear(LASER, "held"),
            Beat::Pause(A_WHILE),
            Beat::Until(Relay(LASER, Switch::On)),
            Beat::See(Condition::Truth(LASER, Truth::Working), "The cut goes on."),
        ],
    )
}

fn leaned_on() -> Scene {
    let mut beats = vec![Beat::Say(
        "A crate slides against the mill's button, which sends its long press again and again.",
    )];
    for _ in 0..LEANED_ON_TIMES {
        beats.push(Beat::send("buttons/mill", "long-press"));
        beats.push(Beat::Pause(LEANED_ON_EVERY));
    }
    beats.push(Beat::answer(MILL, "held", "machine-busy"));
    beats.push(Beat::hear(MILL, "held"));
    beats.extend((1..LEANED_ON_TIMES).map(|_| Beat::answer(MILL, "ignored", "repeated")));
    beats.push(Beat::Until(Relay(MILL, Switch::On)));
    beats.push(Beat::See(Condition::Truth(MILL, Truth::Working), "The mill is still milling."));
    Scene::new("Nobody meant it", &[MILL], beats)
}

fn thermostat_pause() -> Scene {
    Scene::new(
        "A pause that looks idle",
        &[KILN],
        vec![
            Beat::Say("The kiln is firing. Its elements are resting, and its meter reads 6 W."),
            Beat::Until(DrawsLessThan(KILN, 60.0)),
            Beat::Pause(A_SECOND_THOUGHT),
            // The pause may have been nearly over when the scene began; then this waits for the next one.
            Beat::Until(DrawsLessThan(KILN, 60.0)),
            Beat::Pause(A_WHILE),
            Beat::Say("In the office, Noor asks for it to be switched off."),
            ask(KILN, "off"),
            Beat::answer(KILN, "held", "machine-busy"),
            Beat::hear(KILN, "held"),
            Beat::Pause(A_WHILE),
            Beat::Until(Relay(KILN, Switch::On)),
            Beat::See(Condition::Truth(KILN, Truth::Working), "The firing goes on."),
        ],
    )
}

fn another_route() -> Scene {
    Scene::new(
        "Past the guard",
        &[KILN],
        vec![
            Beat::Say(
                "Somebody presses the button on the kiln's outlet itself. Idlegate cannot prevent that.",
            ),
            Beat::Do(Doing::PressOwnButton { machine: KILN }),
            Beat::hear(KILN, "off-by-another-route"),
            Beat::Pause(A_WHILE),
            Beat::See(
                Relay(KILN, Switch::Off),
                "The outlet is off. The guard reports it, and switches nothing back on.",
            ),
            Beat::Until(JobsCut(KILN, 1)),
        ],
    )
}

fn emergency() -> Scene {
    let mut beats = vec![
        Beat::Say("Smoke. Theo pushes the red button by the door."),
        Beat::send("contacts/red-button", "open"),
    ];
    beats.extend(ALL.map(|machine| Beat::answer(machine, "acted", "emergency")));
    beats.extend(ALL.map(|machine| Beat::hear(machine, "emergency-off")));
    beats.push(Beat::See(EveryRelay(Switch::Off), "Every outlet is off, whatever was running."));
    beats.extend(ALL.map(|machine| Beat::Until(JobsCut(machine, 1))));
    beats.push(Beat::Say("Before anyone has looked, the office asks for the mill to be switched on again."));
    beats.push(ask(MILL, "on"));
    beats.push(Beat::answer(MILL, "refused", "lockout"));
    beats.push(Beat::Pause(A_WHILE));
    beats.push(Beat::See(Relay(MILL, Switch::Off), "The mill stays off."));
    Scene::new("The red button", &ALL, beats)
}

fn released() -> Scene {
    Scene::new(
        "Checked, and unlocked",
        &[MILL],
        vec![
            Beat::Say("It was a burnt scrap in the laser's bed. Noor unlocks the mill."),
            ask(MILL, "unlock"),
            Beat::answer(MILL, "acted", "unlocked"),
            Beat::Pause(A_WHILE),
            Beat::See(Relay(MILL, Switch::Off), "Unlocking is not switching on: the mill is still off."),
            Beat::Say("Now it can be switched on."),
            Beat::Pause(A_SECOND_THOUGHT),
            ask(MILL, "on"),
            Beat::answer(MILL, "acted", "switching-on"),
            Beat::See(Relay(MILL, Switch::On), "The outlet is on."),
        ],
    )
}

fn press_bench() -> Beat {
    Beat::send("buttons/bench", r#"{"button":"pressed"}"#)
}

fn ask(machine: &str, request: &str) -> Beat {
    let body =
        Request { machine: Some(machine.to_owned()), request: request.to_owned(), ..Request::default() };
    Beat::send(&request_topic(PREFIX, "console"), &text(&body))
}
