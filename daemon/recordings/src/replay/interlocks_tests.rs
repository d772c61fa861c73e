// What could go wrong: a recording of the mill says of the extraction that hangs on it something else than the guard
// said.

use std::io::Write as _;

use super::*;
use crate::capture::Recorder;
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::PermissiveState::{self, Busy, Clear, Unknown};
use idlegate_plan::Plan;
use idlegate_rules::{Surroundings, SystemSecrets};

const SHOP: &str = "[broker]\nhost = \"127.0.0.1\"\n[guard]\nhold_longer = false\n";
const MILL: &str = "[signals.power]\ntopic = \"meters/mill\"\nunit = \"W\"\n\
    [[detectors]]\nuse = \"power-threshold\"\nsettings = { busy_watts = 10, dwell = \"2 min\" }\n";
const LAMP: &str = "[signals.mill]\nmachine = \"mill\"\n\
    [[detectors]]\nuse = \"machine-status\"\nsignals = { status = \"mill\" }\n\
    settings = { busy = [\"busy\"], idle = [\"idle\", \"off\"], dwell = \"1 min\" }\n";

fn rules(modules: &Modules) -> Plan {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("shop.toml"), SHOP).unwrap();
    std::fs::create_dir(folder.path().join("machines")).unwrap();
    let machines = [
        ("mill", "", MILL),
        ("extraction", "needed_by = { machines = [\"mill\"], run_on = \"3 min\" }\n", ""),
        ("lamp", "", LAMP),
    ];
    for (name, first, rest) in machines {
        let outlet = format!(
            "[outlet]\nstate = {{ topic = \"outlets/{name}/says\" }}\norder = {{ topic = \"outlets/{name}/order\" }}\n"
        );
        let file = folder.path().join("machines").join(format!("{name}.toml"));
        std::fs::write(file, format!("{first}{outlet}{rest}")).unwrap();
    }
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    idlegate_rules::compile(&idlegate_rules::load(folder.path()), &around).unwrap().plan
}

/// At work from 08:05 to 08:10, and a reading every five seconds. Somebody has written down that the mill was idle.
fn recorded() -> String {
    let mut lines = String::new();
    for second in (0..1_200).step_by(5) {
        let watts = if (300..600).contains(&second) { 200 } else { 4 };
        let at = 1_764_057_600 + second;
        let records = format!(
            r#"{{"n":"mill/power","u":"W","t":{at},"v":{watts}}},{{"n":"lamp/mill","t":{at},"vs":"idle"}}"#
        );
        lines.push_str(&format!("[{records}]\n"));
    }
    lines
}

#[test]
fn the_state_of_a_machine_is_worked_out_anew_and_what_hangs_on_it_follows() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let plan = rules(&modules);
    assert_eq!(Recorder::new(&plan, &[]).filters().iter().filter(|filter| filter.is_empty()).count(), 0);
    let mut file = tempfile::Builder::new().suffix(".senml").tempfile().unwrap();
    file.write_all(recorded().as_bytes()).unwrap();
    let mut timeline = Timeline::default();
    timeline.add(&plan, file.path(), Track::Whole).unwrap();
    let mut changes: Vec<(String, String, PermissiveState)> = Vec::new();
    let heard = |heard: Played<'_>| {
        if let Played::Changed(change) = heard {
            let at = idlegate_plan::text::rfc3339(change.at)[11..19].to_owned();
            changes.push((change.machine.to_string(), at, change.state));
        }
    };
    Player::new(&plan, &modules, timeline).play(None, heard, |_, _, _| {}).unwrap();
    let of = |machine: &str| -> Vec<(&str, PermissiveState)> {
        let its = changes.iter().filter(|(of, _, _)| of == machine);
        its.map(|(_, at, state)| (at.as_str(), *state)).collect()
    };
    let idle_again = "08:12:00";
    assert_eq!(
        of("mill"),
        [("08:00:00", Unknown), ("08:02:00", Clear), ("08:05:00", Busy), (idle_again, Clear)]
    );
    // It runs on for three minutes from when it is known that the mill is idle.
    assert_eq!(
        of("extraction"),
        [
            ("08:00:00", Unknown),
            ("08:02:00", Busy),
            ("08:05:00", Clear),
            ("08:05:00", Busy),
            ("08:15:00", Clear)
        ]
    );
    assert_eq!(
        of("lamp"),
        [
            ("08:00:00", Unknown),
            ("08:02:00", Busy),
            ("08:03:00", Clear),
            ("08:05:00", Busy),
            ("08:13:00", Clear)
        ]
    );
}
