//! Brokers to test against: Mosquitto from Debian's packages as the real one, and the embedded one.

use std::fmt::Write as _;
use std::fs;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
pub use idlegate_demo::broker::EmbeddedBroker as Embedded;
use tempfile::TempDir;

use crate::DEADLINE;

const PROGRAM: &str = "/usr/sbin/mosquitto";

/// A Mosquitto of our own in a folder of its own; killed when dropped.
#[derive(Debug)]
pub struct Mosquitto {
    folder: TempDir,
    port: u16,
    process: Option<Child>,
}

/// What differs from a broker that is open to all.
#[derive(Clone, Debug, Default)]
pub struct MosquittoSettings {
    /// User and password; without any, everyone may connect.
    pub users: Vec<(String, String)>,
    /// Content of an access list.
    pub access_list: Option<String>,
    /// PEM: certificate and key of the broker.
    pub tls: Option<(String, String)>,
    /// PEM: who signs the certificates that clients must show.
    pub client_authority: Option<String>,
    /// Hands on what is said on these topics to the broker on this port.
    pub bridge: Option<(u16, String)>,
}

impl Mosquitto {
    pub fn start() -> Result<Mosquitto> {
        Mosquitto::start_with(&MosquittoSettings::default())
    }

    pub fn start_with(settings: &MosquittoSettings) -> Result<Mosquitto> {
        // Somebody else may take the free port before the broker does.
        let first = Mosquitto::start_on(free_port()?, settings);
        first.or_else(|_| Mosquitto::start_on(free_port()?, settings))
    }

    /// On a port that is known beforehand.
    pub fn start_on(port: u16, settings: &MosquittoSettings) -> Result<Mosquitto> {
        let folder = TempDir::with_prefix("idlegate-mosquitto-")?;
        write_settings(folder.path(), port, settings)?;
        let mut broker = Mosquitto { folder, port, process: None };
        broker.run()?;
        Ok(broker)
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// Ends it at once, as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut process) = self.process.take() {
            // It may have ended by itself.
            let _ = process.kill();
            let _ = process.wait();
        }
    }

    /// Starts it again after [`Mosquitto::kill`], on the same port and with nothing in store.
    pub fn run(&mut self) -> Result<()> {
        if !Path::new(PROGRAM).exists() {
            bail!("{PROGRAM} is missing: apt-get install mosquitto");
        }
        let log = fs::File::create(self.log_file())?;
        let process = Command::new(PROGRAM)
            .arg("-c")
            .arg(self.folder.path().join("mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .spawn()
            .with_context(|| format!("starting {PROGRAM}"))?;
        self.process = Some(process);
        self.wait_until_it_listens()
    }

    fn wait_until_it_listens(&mut self) -> Result<()> {
        let deadline = Instant::now() + DEADLINE;
        // Its log and not its port, at which somebody else might answer.
        loop {
            let log = fs::read_to_string(self.log_file())?;
            if log.contains(" running") {
                return Ok(());
            }
            let ended = self.process.as_mut().map(Child::try_wait).transpose()?.flatten();
            if ended.is_some() || Instant::now() > deadline {
                bail!("mosquitto does not listen: {log}");
            }
            sleep(Duration::from_millis(5));
        }
    }

    fn log_file(&self) -> PathBuf {
        self.folder.path().join("log")
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A port that nothing listens on now.
pub fn free_port() -> Result<u16> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

fn write_settings(folder: &Path, port: u16, settings: &MosquittoSettings) -> Result<()> {
    let mut text = format!("listener {port} 127.0.0.1\npersistence false\nset_tcp_nodelay true\n");
    writeln!(text, "allow_anonymous {}", settings.users.is_empty())?;
    if let Some((port, topics)) = &settings.bridge {
        writeln!(text, "connection hall\naddress 127.0.0.1:{port}\nbridge_protocol_version mqttv50")?;
        writeln!(text, "topic {topics} out 1\nrestart_timeout 1")?;
    }
    let file = |name: &str| folder.join(name).display().to_string();
    if !settings.users.is_empty() {
        let path = file("passwords");
        let lines = settings.users.iter().map(|(user, password)| format!("{user}:{password}\n"));
        fs::write(&path, lines.collect::<String>())?;
        // Turns the plain passwords into hashes.
        let status =
            Command::new("mosquitto_passwd").arg("-U").arg(&path).status().context("mosquitto_passwd")?;
        anyhow::ensure!(status.success(), "mosquitto_passwd refused the password file");
        writeln!(text, "password_file {path}")?;
    }
    if let Some(list) = &settings.access_list {
        fs::write(file("access"), list)?;
        writeln!(text, "acl_file {}", file("access"))?;
    }
    if let Some((certificate, key)) = &settings.tls {
        fs::write(file("certificate.pem"), certificate)?;
        fs::write(file("key.pem"), key)?;
        writeln!(text, "certfile {}\nkeyfile {}", file("certificate.pem"), file("key.pem"))?;
    }
    if let Some(authority) = &settings.client_authority {
        fs::write(file("clients.pem"), authority)?;
        writeln!(text, "cafile {}\nrequire_certificate true", file("clients.pem"))?;
    }
    fs::write(folder.join("mosquitto.conf"), text)?;
    give_to_mosquitto(folder)
}

/// Started as root, it becomes user `mosquitto` before it opens its files.
fn give_to_mosquitto(folder: &Path) -> Result<()> {
    use std::os::unix::fs::MetadataExt;
    if fs::metadata(folder)?.uid() != 0 {
        return Ok(());
    }
    let status = Command::new("chown").args(["-R", "mosquitto"]).arg(folder).status().context("chown")?;
    anyhow::ensure!(status.success(), "cannot give the broker's files to user mosquitto");
    Ok(())
}
