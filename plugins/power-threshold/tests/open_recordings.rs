// What could go wrong in the workshop: the pause of a thermostat, between two pages or before a spin passes for the
// end of the job. Real machines, recorded at their outlets: household and office appliances of the tracebase data set
// (Reinhardt et al., "On the Accuracy of Appliance Identification Based on Distributed Load Metering Data", SustainIT
// 2012; Open Database License). The recordings are no part of this project.

#![expect(clippy::unwrap_used, reason = "a test that cannot read its data has nothing better to do")]

use std::path::{Path, PathBuf};

use idlegate_detector::testing::{Period, Recording, run};
use idlegate_detector::{Millis, Verdict};
use power_threshold::PowerThreshold;

/// What a person would set for each class of machine after a look at a day of it: a level between its draw at rest and
/// at work, and a dwell longer than its longest pause.
const SETTINGS: [(&str, &str); 9] = [
    ("cookingstove", r#"{ "busy_watts": 10, "dwell": "5 min" }"#),
    ("dishwasher", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("iron", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("laundrydryer", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("microwaveoven", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("printer", r#"{ "busy_watts": 40, "quiet_watts": 20, "dwell": "3 min" }"#),
    ("projector", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("washingmachine", r#"{ "busy_watts": 10, "dwell": "3 min" }"#),
    ("waterfountain", r#"{ "busy_watts": 20, "dwell": "3 min" }"#),
];

fn open_data() -> Option<PathBuf> {
    let folder = std::env::var_os("IDLEGATE_OPEN_DATA").map(|root| PathBuf::from(root).join("power"));
    let found = folder.filter(|folder| folder.is_dir());
    if found.is_none() {
        eprintln!(
            "skipped: IDLEGATE_OPEN_DATA names no folder with power/ in it; \
             tests/published/README.md says what that is and how to get it"
        );
    }
    found
}

/// The jobs of every recording, in the order of the file.
fn jobs(folder: &Path) -> Vec<(String, Period)> {
    let stamp = |text: &str| -> Millis {
        Recording::from_csv::<PowerThreshold>(&format!("time,watts\n{text},0\n")).unwrap().readings()[0].at
    };
    let text = std::fs::read_to_string(folder.join("jobs.csv")).unwrap();
    let job = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        (cells[0].to_owned(), Period { start: stamp(cells[1]), end: stamp(cells[2]) })
    };
    text.lines().skip(1).map(job).collect()
}

#[test]
fn no_job_of_a_real_machine_could_be_cut() {
    let Some(folder) = open_data() else { return };
    let jobs = jobs(&folder);
    let (mut checked, mut working_hours, mut held_hours) = (0, 0.0, 0.0);
    let mut names: Vec<&str> = jobs.iter().map(|(name, _)| name.as_str()).collect();
    names.dedup();
    for name in names {
        let settings = SETTINGS.iter().find(|(class, _)| name.starts_with(class)).unwrap().1;
        let run =
            run::<PowerThreshold>(settings, &Recording::load::<PowerThreshold>(folder.join(name)).unwrap())
                .unwrap();
        for (_, job) in jobs.iter().filter(|(of, _)| of == name) {
            // The reading at the start may stand beside another one with the same stamp from just before the job.
            let inside = |at: Millis| job.start < at && at < job.end;
            let idle = run.steps.iter().find(|s| inside(s.at) && s.assessment.verdict == Verdict::Idle);
            assert_eq!(idle, None, "{name}: idle in the middle of {job:?}");
            checked += 1;
            working_hours += job.length().as_secs_f64() / 3_600.0;
        }
        held_hours += run.held_spans().iter().map(|span| span.length().as_secs_f64() / 3_600.0).sum::<f64>();
    }
    println!("{checked} jobs of {working_hours:.1} h were held, {held_hours:.1} h in all");
    // Holding all day long would protect every job, too.
    assert!(held_hours < 1.5 * working_hours, "{held_hours} h held for {working_hours} h of work");
}

#[test]
fn before_its_first_whole_dwell_no_machine_is_idle() {
    let Some(folder) = open_data() else { return };
    let recording = Recording::load::<PowerThreshold>(folder.join("iron-D337C2-2011-12-24.csv.gz")).unwrap();
    let run = run::<PowerThreshold>(r#"{ "busy_watts": 10, "dwell": "3 min" }"#, &recording).unwrap();
    let start = run.steps[0].at;
    let idle = run.steps.iter().find(|step| step.assessment.verdict == Verdict::Idle).unwrap();
    assert!(idle.at.since(start).as_secs_f64() >= 180.0);
}
