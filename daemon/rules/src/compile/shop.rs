//! shop.toml: broker, announcements, state.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::PathBuf;

use jiff::tz::TimeZone;

use super::{Surroundings, rooted};
use crate::codes::Code;
use crate::defaults;
use crate::folder::Folder;
use crate::problem::{Severity, quoted};
use crate::problems::{At, Problems};
use crate::secrets::SecretTrouble;
use crate::section::Section;
use idlegate_messages::effects::sentences::Sentence;
use idlegate_plan::event::Name;
use idlegate_plan::{
    BlindLimits, Broker, Circuit, ClientCertificate, Login, Machine, Monitoring, Network, NotANetwork,
    SETTING_PLACEHOLDER, Secret, Shop, Tariff, TariffBand, Tls,
};

const SECRET_BYTES_MIN: usize = 16;

/// Nothing when the broker is missing, which has been reported.
pub(super) fn compile(
    section: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Shop> {
    let sentences = sentences(section, problems);
    let state_dir = state_dir(section, problems);
    let broker = broker(&section.section("broker")?, folder, around, problems)?;
    let hand_over = hand_over(section, &broker, folder, around, problems);
    let circuits = circuits(section);
    let tariff = tariff(section, problems);
    let monitoring = monitoring(section, problems);
    Some(Shop {
        title: section.owned("title").unwrap_or_else(|| "Workshop".to_owned()),
        prefix: section.owned("prefix").unwrap_or_else(|| defaults::PREFIX.to_owned()),
        broker,
        sentences,
        state_dir,
        keep_names: section.duration("keep_names").unwrap_or(defaults::KEEP_NAMES),
        keep_readings: section.duration("keep_readings"),
        circuits,
        zone: TimeZone::system(),
        tariff,
        monitoring,
        sites: sites(section),
        site: None,
        elsewhere: BTreeSet::new(),
        topics_elsewhere: Vec::new(),
        detector_memory_bytes: detector_memory_bytes(section),
        machines_elsewhere: BTreeSet::new(),
        hand_over,
        blind: blind(section),
    })
}

fn blind(section: &Section<'_>) -> BlindLimits {
    let rules = section.section("blind");
    let limit = |key: &str, otherwise| rules.and_then(|rules| rules.duration(key)).unwrap_or(otherwise);
    BlindLimits {
        meter_silent: limit("meter_silent", defaults::BLIND.meter_silent),
        meter_stuck: limit("meter_stuck", defaults::BLIND.meter_stuck),
        outlet_unreachable: limit("outlet_unreachable", defaults::BLIND.outlet_unreachable),
        not_understood: limit("not_understood", defaults::BLIND.not_understood),
    }
}

fn detector_memory_bytes(section: &Section<'_>) -> usize {
    let mib = section.count("detector_memory_mib").and_then(|mib| usize::try_from(mib).ok());
    mib.unwrap_or(defaults::DETECTOR_MEMORY_MIB.into()) << 20
}

/// The secret by which one guard believes another.
fn hand_over(
    section: &Section<'_>,
    broker: &Broker,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Secret> {
    let rules = section.section("stand_by");
    let kept = rules.as_ref().and_then(|rules| rules.section("secret"));
    // Whether there is a stand-by at all the rules do not know; halls hand over whenever a machine is moved.
    if kept.is_none() && section.has("sites") && !broker.is_local() {
        let message = "anybody who may publish on the broker can forge what one guard hands over to another";
        problems
            .add(Code::OpenHandOver, section.place_of_key("sites"), message.to_owned())
            .help("add secret = { credential = \"hand-over\" } under [stand_by]".to_owned());
    }
    let kept = kept?;
    let secret = secret(&kept, folder, around, problems)?;
    if !secret.expose().is_empty() && secret.expose().len() < SECRET_BYTES_MIN {
        let message =
            format!("the secret is shorter than {SECRET_BYTES_MIN} characters, so it can be guessed");
        problems
            .add(Code::OutOfRange, kept.place, message)
            .help("let the computer choose it: openssl rand -hex 32".to_owned());
    }
    Some(secret)
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
            continuous_share: section.number("continuous_share").unwrap_or(defaults::CONTINUOUS_SHARE),
        })
    });
    compiled.collect()
}

fn tariff(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Tariff> {
    let section = section.section("tariff")?;
    let zone = section.text("zone");
    let mut bands = Vec::new();
    for (name, value) in section.named("bands") {
        let Some(table) = value.value.as_table() else { continue };
        let band = Section { table, place: value.place };
        let Some(zone) = zone else {
            problems
                .add(Code::MissingKey, name.place, "a tariff with bands needs a zone".to_owned())
                .help("add it under [tariff], such as zone = \"Europe/Berlin\"".to_owned());
            return None;
        };
        let hours = super::speech::ranges(&band, zone, problems);
        let (Ok(name), Some(per_kwh), Some(hours)) = (Name::new(name.value), band.number("per_kwh"), hours)
        else {
            continue;
        };
        bands.push(TariffBand { name, per_kwh, hours });
    }
    Some(Tariff { currency: section.owned("currency")?, per_kwh: section.number("per_kwh")?, bands })
}

fn monitoring(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<Monitoring> {
    let section = section.section("monitoring")?;
    let listen = section.text("listen")?;
    let Ok(address) = listen.value.parse::<SocketAddr>() else {
        let message = format!("listen {} is not an address with a port", quoted(listen.value));
        problems
            .add(Code::OutOfRange, listen.place, message)
            .help("write an address such as \"127.0.0.1:9464\" or \"[::1]:9464\"".to_owned());
        return None;
    };
    let page = section.switch("page").unwrap_or(false);
    let hosts = hosts(&section, problems);
    if !address.ip().is_loopback() {
        open_beyond_this_computer(&section, &listen, address, page, problems);
    }
    let names = section.list("names").into_iter().filter_map(|name| name.value.as_str());
    let names = names.map(str::to_ascii_lowercase).collect();
    Some(Monitoring { listen: address, page, hosts, names })
}

/// Whoever reads the pages from elsewhere.
fn hosts(section: &Section<'_>, problems: &mut Problems<'_>) -> Vec<Network> {
    let mut hosts = Vec::new();
    for host in section.list("hosts") {
        let Some(text) = host.value.as_str() else { continue };
        match text.parse() {
            Ok(network) => hosts.push(network),
            Err(NotANetwork) => {
                let message = format!("{} is neither an address nor a network", quoted(text));
                problems.add(Code::OutOfRange, host.place, message).help(
                    "write an address such as \"192.168.7.20\", or a network such as \"192.168.7.0/24\""
                        .to_owned(),
                );
            }
        }
    }
    hosts
}

fn open_beyond_this_computer(
    section: &Section<'_>,
    listen: &At<&str>,
    address: SocketAddr,
    page: bool,
    problems: &mut Problems<'_>,
) {
    if page && !section.has("hosts") {
        let message =
            "the page for people is to be reached from elsewhere, and nobody is named who may".to_owned();
        problems.add(Code::MissingKey, listen.place, message).help(
            "add hosts = [\"192.168.7.0/24\"] with the addresses of those who may, or listen on 127.0.0.1"
                .to_owned(),
        );
    }
    let message = match (page, section.has("hosts")) {
        (true, _) => format!(
            "whoever is on the network between can read what goes to and from {address}: there is no encryption and no login"
        ),
        (false, true) => {
            format!("whoever is named in hosts can see at {address} what goes on in the workshop")
        }
        (false, false) => format!("anybody who can reach {address} can see what goes on in the workshop"),
    };
    problems
        .add(Code::OpenMonitoring, listen.place, message)
        .help("listen on 127.0.0.1, and put a proxy with TLS and a login in front".to_owned());
}

fn state_dir(section: &Section<'_>, problems: &mut Problems<'_>) -> Option<PathBuf> {
    let text = section.text("state_dir")?;
    let path = PathBuf::from(text.value);
    if !path.is_absolute() {
        let message = format!("state_dir {} is not an absolute path", quoted(text.value));
        problems.add(Code::OutOfRange, text.place, message).help(
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
    problems: &mut Problems<'_>,
) -> Option<Broker> {
    let tls = section.section("tls").and_then(|tls| compile_tls(&tls, folder, problems));
    let probe =
        section.section("probe").and_then(|probe| probe_login(section, &probe, folder, around, problems));
    let emergency = section.section("emergency");
    let emergency_login = emergency.and_then(|section| login(&section, folder, around, problems));
    let login = login(section, folder, around, problems);
    let host = section.text("host")?;
    if let Some((name, port)) = with_port(host.value) {
        let message = format!("host {} has a port in it", quoted(host.value));
        let help = format!("write host = {} and port = {port}", quoted(name));
        problems.add(Code::OutOfRange, host.place, message).help(help);
    } else if host.value.is_empty() || host.value.contains([' ', '/', '@']) || host.value.contains("://") {
        problems
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
    if let Some(id) = section.text("client_id").filter(|id| id.value.is_empty()) {
        problems
            .add(
                Code::OutOfRange,
                id.place,
                "client_id is empty, so the broker would not know Idlegate again".to_owned(),
            )
            .help(format!(
                "leave it out (it is then \"{}\"), or give it a name of its own",
                defaults::CLIENT_ID
            ));
    }
    let port = section.count("port").and_then(|port| u16::try_from(port).ok());
    Some(Broker {
        host: host.value.to_owned(),
        port: port.unwrap_or(if tls.is_some() { defaults::PORT_WITH_TLS } else { defaults::PORT }),
        client_id: section.owned("client_id").unwrap_or_else(|| defaults::CLIENT_ID.to_owned()),
        login,
        probe,
        emergency_login,
        tls,
        keep_alive: section.duration("keep_alive").unwrap_or(defaults::KEEP_ALIVE),
    })
}

/// "broker.local:1883", but not "fe80::1", which is an address.
fn with_port(host: &str) -> Option<(&str, u16)> {
    let (name, port) = host.rsplit_once(':')?;
    let name = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    let one_colon = !name.contains(':') || host.starts_with('[');
    (one_colon && !name.is_empty()).then_some(name).zip(port.parse().ok())
}

/// Whoever checks the rules may do so on another computer than the one that guards.
fn check_readable(section: &Section<'_>, folder: &Folder, problems: &mut Problems<'_>) {
    for key in ["ca_file", "certificate_file", "key_file"] {
        let Some(named) = section.text(key) else { continue };
        let path = rooted(folder, named.value);
        // What may not be opened is not missing: the service may have rights that others lack.
        if let Err(error) = std::fs::metadata(&path)
            && error.kind() == std::io::ErrorKind::NotFound
        {
            let message = format!("{key}: there is no such file on this computer");
            problems.add(Code::MissingTlsFile, named.place, message).help(
                "without it no connection to the broker can be made; a relative path begins in the rules folder".to_owned(),
            );
        }
    }
}

fn compile_tls(section: &Section<'_>, folder: &Folder, problems: &mut Problems<'_>) -> Option<Tls> {
    let client = match (section.text("certificate_file"), section.text("key_file")) {
        (Some(certificate), Some(key)) => Some(ClientCertificate {
            certificate_file: rooted(folder, certificate.value),
            key_file: rooted(folder, key.value),
        }),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            let message = "certificate_file and key_file need each other".to_owned();
            problems.add(Code::ConflictingKeys, one.place, message);
            None
        }
    };
    check_readable(section, folder, problems);
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
    problems: &mut Problems<'_>,
) -> Option<Login> {
    let password = section.section("password").and_then(|kept| secret(&kept, folder, around, problems));
    let Some(user) = section.text("user") else {
        if section.has("password") {
            let message = "there is a password, but no user".to_owned();
            problems
                .add(Code::ConflictingKeys, section.place_of_key("password"), message)
                .help("add user = \"…\"".to_owned());
        }
        return None;
    };
    if !section.has("password") {
        problems.add(Code::MissingKey, user.place, "there is a user, but no password".to_owned()).help(
            "add password = { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }".to_owned(),
        );
    }
    Some(Login { user: user.value.to_owned(), password: password? })
}

fn probe_login(
    broker: &Section<'_>,
    probe: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Login> {
    let login = login(probe, folder, around, problems)?;
    if let (Some(ours), Some(user)) = (broker.text("user"), probe.text("user"))
        && ours.value == user.value
    {
        let message = "the probe has the same user as Idlegate itself".to_owned();
        problems.add(Code::ConflictingKeys, user.place, message).help(
            "give it a login of its own: a broker that takes the user for the client id would drop Idlegate"
                .to_owned(),
        );
    }
    Some(login)
}

/// Looks where the rules say. A missing secret that is tolerated reads as empty.
fn secret(
    kept: &Section<'_>,
    folder: &Folder,
    around: &Surroundings<'_>,
    problems: &mut Problems<'_>,
) -> Option<Secret> {
    let given: Vec<&str> = ["env", "file", "credential"].into_iter().filter(|key| kept.has(key)).collect();
    let [key] = given[..] else {
        let message = "name exactly one place where the password is kept".to_owned();
        let help = "write { env = \"NAME\" }, { file = \"/path\" } or { credential = \"name\" }".to_owned();
        problems.add(Code::ConflictingKeys, kept.place, message).help(help);
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
            problems
                .add(Code::SecretExposed, text.place, format!("{what}: {why}"))
                .help("make it private: chmod 600 FILE".to_owned());
            None
        }
        Err(SecretTrouble::Missing(why)) => {
            problems
                .add(Code::SecretMissing, text.place, format!("there is no password in {what}: {why}"))
                .severity(around.secrets.when_missing());
            Some(Secret::new(String::new()))
        }
    }
}

fn sentences(section: &Section<'_>, problems: &mut Problems<'_>) -> BTreeMap<String, String> {
    let mut sentences = BTreeMap::new();
    for (kind, value) in section.named("announcements") {
        let (Some(sentence), Some(text)) = (Sentence::from_word(kind.value), value.value.as_str()) else {
            continue;
        };
        let known = sentence.placeholders();
        match placeholders(text) {
            Err(why) => {
                problems
                    .add(Code::UnknownPlaceholder, value.place, why.to_owned())
                    .help("use braces only around placeholders".to_owned());
            }
            Ok(used) => {
                // Settings belong to machines, which are not read yet; see `settings_in_sentences`.
                let fills = |used: &&&str| {
                    let setting = used.starts_with(SETTING_PLACEHOLDER) && known.contains(&"detector");
                    setting || known.contains(*used)
                };
                for wrong in used.iter().filter(|used| !fills(used)) {
                    let message = format!("{} has no placeholder {}", kind.value, quoted(wrong));
                    let all: Vec<String> = known.iter().map(|name| format!("{{{name}}}")).collect();
                    problems.add(Code::UnknownPlaceholder, value.place, message).nearest(
                        wrong,
                        known.iter().copied(),
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
pub(super) fn settings_in_sentences(
    section: &Section<'_>,
    machines: &[Machine],
    problems: &mut Problems<'_>,
) {
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
            problems.add(Code::UnknownPlaceholder, value.place, message).severity(Severity::Warning).nearest(
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
