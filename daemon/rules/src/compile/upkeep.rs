//! What is to be done to a machine again and again.

use crate::codes::Code;
use crate::problems::Problems;
use crate::section::Section;
use idlegate_plan::event::Name;
use idlegate_plan::kept::SERVICES_MAX;
use idlegate_plan::{Service, ServiceMeasure};

/// In order of name, as the table is.
pub(super) fn services(section: &Section<'_>, problems: &mut Problems<'_>) -> Vec<Service> {
    let mut services = Vec::new();
    for (name, value) in section.named("service") {
        let (Ok(valid), Some(table)) = (Name::new(name.value), value.value.as_table()) else { continue };
        let section = Section { table, place: value.place };
        if services.len() == SERVICES_MAX {
            let message = format!("a machine can have {SERVICES_MAX} services, and this is one more");
            problems.add(Code::OutOfRange, name.place, message);
            break;
        }
        let word = section.text("counts").map(|word| word.value);
        let counts = ServiceMeasure::ALL
            .into_iter()
            .find(|counts| Some(counts.word()) == word)
            .unwrap_or(ServiceMeasure::Busy);
        let done = section.owned("done").unwrap_or_else(|| format!("the service {valid} was done"));
        if let Some(every) = every(&section, counts, problems) {
            services.push(Service { name: valid, done, counts, every });
        }
    }
    services
}

/// In milliseconds, or times.
fn every(section: &Section<'_>, counts: ServiceMeasure, problems: &mut Problems<'_>) -> Option<u64> {
    let (wanted, other, example) = match counts {
        ServiceMeasure::SwitchOns => ("times", "every", "times = 500"),
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar => {
            ("every", "times", "every = \"50h\"")
        }
    };
    if section.has(other) {
        let message = format!("{other} does not fit counts = \"{}\"", counts.word());
        problems
            .add(Code::ConflictingKeys, section.place_of_key(other), message)
            .help(format!("write {example}"));
    } else if !section.has(wanted) {
        let message = format!("a service that counts {} needs {wanted}", counts.word());
        problems.add(Code::MissingKey, section.place, message).help(format!("write {example}"));
    }
    match counts {
        ServiceMeasure::SwitchOns => section.count(wanted).and_then(|times| u64::try_from(times).ok()),
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar => {
            section.duration(wanted).map(|every| every.0)
        }
    }
}
