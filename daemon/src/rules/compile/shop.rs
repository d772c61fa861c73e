//! shop.toml: broker, announcements, state.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::PathBuf;

use super::{Surroundings, rooted};
use crate::event::Name;
use crate::plan::{
    Broker, Circuit, ClientCertificate, Login, Machine, SETTING_PLACEHOLDER, Secret, Shop, Tariff,
    TariffBand, Tls,
};
use crate::rules::codes::Code;
use crate::rules::folder::Folder;
use crate::rules::problem::{Severity, quoted};
use crate::rules::report::Report;
use crate::rules::secrets::SecretTrouble;
use crate::rules::section::Section;
use crate::rules::shapes::SENTENCES;
use crate::time::Span;

const DEFAULT_PREFIX: &str = "idlegate";
const KEEP_ALIVE: Span = Span::secs(10);
const PORT_PLAIN: u16 = 1883;
const PORT_TLS: u16 = 8883;

/// Nothing when the broker is missing, which has been reported.
pub(super) fn compile(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Shop> {
    let sentences = sentences(section, report);
    let state_dir = state_dir(section, report);
    let broker = broker(&section.section("broker")?, folder, around, report)?;
    let circuits = circuits(section);
    let tariff = tariff(section, report);
    let monitoring = monitoring(section, report);
    Some(Shop {
        title: section.owned("title").unwrap_or_else(|| "Workshop".to_owned()),
        prefix: section.owned("prefix").unwrap_or_else(|| DEFAULT_PREFIX.to_owned()),
        broker,
        sentences,
        state_dir,
        circuits,
        tariff,
        monitoring,
        sites: sites(section),
        site: None,
        elsewhere: BTreeSet::new(),
    })
}

/// As they are written. A name that is none has been reported when its form was checked.
pub(super) fn sites(section: &Section<'_>) -> Vec<Name> {
    let mut sites: Vec<Name> = Vec::new();
    for site in section.list("sites") {
        if let Some(name) = site.value.as_str().and_then(|name| Name::new(name).ok())
            && !sites.contains(&name)
        {
            sites.push(name);
        }
    }
    sites
}

/// In order of name, as the table is. What is missing in one has been reported when its form was checked.
pub(super) fn circuits(section: &Section<'_>) -> Vec<Circuit> {
    let compiled = section.named("circuits").into_iter().filter_map(|(name, value)| {
        let section = Section { table: value.value.as_table()?, place: value.place };
        Some(Circuit {
            name: Name::new(name.value).ok()?,
            amperes: section.number("amperes")?,
            volts: section.number("volts")?,
            continuous_share: section.number("continuous_share").unwrap_or(1.0),
        })
    });
    compiled.collect()
}

fn tariff(section: &Section<'_>, report: &mut Report<'_>) -> Option<Tariff> {
    let section = section.section("tariff")?;
    let zone = section.text("zone");
    let mut bands = Vec::new();
    for (name, value) in section.named("bands") {
        let Some(table) = value.value.as_table() else { continue };
        let band = Section { table, place: value.place };
        let Some(zone) = zone else {
            report
                .add(Code::MissingKey, name.place, "a tariff with bands needs a zone".to_owned())
                .help("add it under [tariff], such as zone = \"Europe/Berlin\"".to_owned());
            return None;
        };
        let hours = super::speech::ranges(&band, zone, report);
        let (Ok(name), Some(per_kwh), Some(hours)) = (Name::new(name.value), band.number("per_kwh"), hours)
        else {
            continue;
        };
        bands.push(TariffBand { name, per_kwh, hours });
    }
    Some(Tariff { currency: section.owned("currency")?, per_kwh: section.number("per_kwh")?, bands })
}

fn monitoring(section: &Section<'_>, report: &mut Report<'_>) -> Option<SocketAddr> {
    let section = section.section("monitoring")?;
    let listen = section.text("listen")?;
    let Ok(address) = listen.value.parse::<SocketAddr>() else {
        let message = format!("listen {} is not an address with a port", quoted(listen.value));
        report
            .add(Code::OutOfRange, listen.place, message)
            .help("write an address such as \"127.0.0.1:9464\" or \"[::1]:9464\"".to_owned());
        return None;
    };
    if !address.ip().is_loopback() {
        let message = format!("anybody who can reach {address} can see what goes on in the workshop");
        report
            .add(Code::OpenMonitoring, listen.place, message)
            .help("listen on 127.0.0.1, and put a proxy with a login in front".to_owned());
    }
    Some(address)
}

fn state_dir(section: &Section<'_>, report: &mut Report<'_>) -> Option<PathBuf> {
    let text = section.text("state_dir")?;
    let path = PathBuf::from(text.value);
    if !path.is_absolute() {
        let message = format!("state_dir {} is not an absolute path", quoted(text.value));
        report.add(Code::OutOfRange, text.place, message).help(
            "write the whole path, or the journal's place would depend on where the service is started"
                .to_owned(),
        );
    }
    Some(path)
}

fn broker(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Broker> {
    let tls = section.section("tls").and_then(|tls| compile_tls(&tls, folder, report));
    let login = login(section, folder, around, report);
    let host = section.text("host")?;
    if host.value.is_empty() || host.value.contains([' ', '/', '@']) || host.value.contains("://") {
        report
            .add(
                Code::OutOfRange,
                host.place,
                format!("host {} is not a host name or address", quoted(host.value)),
            )
            .help(
                "write only the name, such as \"broker.local\"; port and user have keys of their own"
                    .to_owned(),
            );
    }
    let port = section.count("port").and_then(|port| u16::try_from(port).ok());
    Some(Broker {
        host: host.value.to_owned(),
        port: port.unwrap_or(if tls.is_some() { PORT_TLS } else { PORT_PLAIN }),
        client_id: section.owned("client_id").unwrap_or_else(|| DEFAULT_PREFIX.to_owned()),
        login,
        tls,
        keep_alive: section.duration("keep_alive").unwrap_or(KEEP_ALIVE),
    })
}

fn compile_tls(section: &Section<'_>, folder: &Folder, report: &mut Report<'_>) -> Option<Tls> {
    let client = match (section.text("certificate_file"), section.text("key_file")) {
        (Some(certificate), Some(key)) => Some(ClientCertificate {
            certificate_file: rooted(folder, certificate.value),
            key_file: rooted(folder, key.value),
        }),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            let message = "certificate_file and key_file need each other".to_owned();
            report.add(Code::ConflictingKeys, one.place, message);
            None
        }
    };
    Some(Tls {
        ca_file: rooted(folder, section.text("ca_file")?.value),
        client,
        server_name: section.owned("server_name"),
    })
}

fn login(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Login> {
    let password = section.section("password").and_then(|kept| secret(&kept, folder, around, report));
    let Some(user) = section.text("user") else {
        if section.has("password") {
            let message = "there is a password, but no user".to_owned();
            report
                .add(Code::ConflictingKeys, section.place_of_key("password"), message)
                .help("add user = \"…\"".to_owned());
        }
        return None;
    };
    if !section.has("password") {
        report.add(Code::MissingKey, user.place, "there is a user, but no password".to_owned()).help(
            "add password = { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }".to_owned(),
        );
    }
    Some(Login { user: user.value.to_owned(), password: password? })
}

/// Looks where the rules say. A missing secret that is tolerated reads as empty.
fn secret(
    kept: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    report: &mut Report<'_>,
) -> Option<Secret> {
    let given: Vec<&str> = ["env", "file", "credential"].into_iter().filter(|key| kept.has(key)).collect();
    let [key] = given[..] else {
        let message = "name exactly one place where the password is kept".to_owned();
        let help = "write { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }".to_owned();
        report.add(Code::ConflictingKeys, kept.place, message).help(help);
        return None;
    };
    let text = kept.text(key)?;
    let (what, outcome) = match key {
        "env" => ("environment variable", around.secrets.env(text.value)),
        "file" => ("file", around.secrets.file(&rooted(folder, text.value))),
        _ => ("credential", around.secrets.credential(text.value)),
    };
    let what = format!("{what} {}", quoted(text.value));
    match outcome {
        Ok(secret) => Some(secret),
        Err(SecretTrouble::Exposed(why)) => {
            report
                .add(Code::SecretExposed, text.place, format!("{what}: {why}"))
                .help("make it private: chmod 600 FILE".to_owned());
            None
        }
        Err(SecretTrouble::Missing(why)) => {
            report
                .add(Code::SecretMissing, text.place, format!("there is no password in {what}: {why}"))
                .severity(around.secrets.when_missing());
            Some(Secret::new(String::new()))
        }
    }
}

fn sentences(section: &Section<'_>, report: &mut Report<'_>) -> BTreeMap<String, String> {
    let mut sentences = BTreeMap::new();
    for (kind, value) in section.named("announcements") {
        let known = SENTENCES.iter().find(|known| known.word == kind.value);
        let (Some(known), Some(text)) = (known, value.value.as_str()) else { continue };
        match placeholders(text) {
            Err(why) => {
                report
                    .add(Code::UnknownPlaceholder, value.place, why.to_owned())
                    .help("use braces only around placeholders".to_owned());
            }
            Ok(used) => {
                // Settings belong to machines, which are not read yet; see `settings_in_sentences`.
                let fills = |used: &&&str| {
                    let setting =
                        used.starts_with(SETTING_PLACEHOLDER) && known.placeholders.contains(&"detector");
                    setting || known.placeholders.contains(*used)
                };
                for wrong in used.iter().filter(|used| !fills(used)) {
                    let message = format!("{} has no placeholder {}", kind.value, quoted(wrong));
                    let all: Vec<String> =
                        known.placeholders.iter().map(|name| format!("{{{name}}}")).collect();
                    report.add(Code::UnknownPlaceholder, value.place, message).nearest(
                        wrong,
                        known.placeholders.iter().copied(),
                        &format!("known here: {}", all.join(", ")),
                    );
                }
            }
        }
        sentences.insert(kind.value.to_owned(), text.to_owned());
    }
    sentences
}

/// Settings that no detector of this shop is given: people would hear the braces.
pub(super) fn settings_in_sentences(section: &Section<'_>, machines: &[Machine], report: &mut Report<'_>) {
    let uses = machines.iter().flat_map(|machine| &machine.detectors);
    let given: BTreeSet<&str> = uses
        .filter_map(|uses| uses.settings.as_object())
        .flat_map(|all| all.keys().map(String::as_str))
        .collect();
    for (kind, value) in section.named("announcements") {
        let used = value.value.as_str().and_then(|text| placeholders(text).ok()).unwrap_or_default();
        let settings = used.iter().filter_map(|used| used.strip_prefix(SETTING_PLACEHOLDER));
        for wrong in settings.filter(|setting| !given.contains(setting)) {
            let message = format!("{}: no detector is given a setting {}", kind.value, quoted(wrong));
            let all: Vec<&str> = given.iter().copied().collect();
            let otherwise = format!("these are given: {}", all.join(", "));
            report.add(Code::UnknownPlaceholder, value.place, message).severity(Severity::Warning).nearest(
                wrong,
                given.iter().copied(),
                &otherwise,
            );
        }
    }
}

/// The names in braces, in order.
fn placeholders(text: &str) -> Result<Vec<&str>, &'static str> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find(['{', '}']) {
        if rest[at..].starts_with('}') {
            return Err("there is a closing brace without an opening one");
        }
        let end = rest[at..].find('}').ok_or("there is an opening brace without a closing one")?;
        found.push(&rest[at + 1..at + end]);
        rest = &rest[at + end + 1..];
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::placeholders;

    #[test]
    fn placeholders_are_found_between_their_braces() {
        assert_eq!(placeholders("{machine}: {reason}."), Ok(vec!["machine", "reason"]));
        assert_eq!(placeholders("ü {a}{b}"), Ok(vec!["a", "b"]));
        for bad in ["{a", "a}", "}{"] {
            assert!(placeholders(bad).is_err(), "{bad}");
        }
    }
}
