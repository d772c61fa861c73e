//! The program as a process of its own, and what the system says of it.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};

use anyhow::{Context, Result, ensure};
use tempfile::NamedTempFile;

/// The program beside us: proof commands are beside it, tests a folder below.
pub fn program() -> Result<PathBuf> {
    let ours = std::env::current_exe()?;
    let mut near = ours.ancestors().skip(1).take(2).map(|folder| folder.join("idlegate"));
    near.find(|program| program.is_file()).context("idlegate is not built")
}

/// `idlegate run`; killed when dropped.
#[derive(Debug)]
pub struct Process {
    child: Child,
    log: NamedTempFile,
}

impl Process {
    pub fn start(rules: &Path, state: &Path) -> Result<Process> {
        Process::start_with(rules, state, &[])
    }

    pub fn start_with(rules: &Path, state: &Path, more: &[&str]) -> Result<Process> {
        Process::start_in(rules, state, more, &[])
    }

    /// With these variables in its environment.
    pub fn start_in(
        rules: &Path,
        state: &Path,
        more: &[&str],
        environment: &[(&str, String)],
    ) -> Result<Process> {
        let program = program()?;
        let log = NamedTempFile::new()?;
        let child = Command::new(&program)
            .args(["run".as_ref(), rules.as_os_str(), "--state-dir".as_ref(), state.as_os_str()])
            .args(more)
            .envs(environment.iter().map(|(name, value)| (name, value)))
            .stdout(Stdio::null())
            .stderr(log.reopen()?)
            .spawn()
            .with_context(|| format!("starting {}", program.display()))?;
        Ok(Process { child, log })
    }

    /// What it logged last: for whoever wants to know why a proof failed.
    pub fn log_end(&self) -> Result<String> {
        let log = std::fs::read_to_string(&self.log)?;
        let lines: Vec<&str> = log.lines().collect();
        Ok(lines[lines.len().saturating_sub(40)..].join("\n"))
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// By its word, as `kill` takes it.
    pub fn signal(&self, word: &str) -> Result<()> {
        let status =
            Command::new("kill").args([&format!("-{word}"), &self.child.id().to_string()]).status()?;
        ensure!(status.success(), "kill -{word}");
        Ok(())
    }

    /// Until it ends by itself.
    pub fn wait(&mut self) -> Result<ExitStatus> {
        Ok(self.child.wait()?)
    }

    pub fn is_running(&mut self) -> Result<bool> {
        Ok(self.child.try_wait()?.is_none())
    }

    /// In KiB, as the system counts it (VmRSS).
    pub fn resident_kib(&self) -> Result<f64> {
        self.kib("status", "VmRSS:")
    }

    /// In KiB: like [`Process::resident_kib`], but a page that is mapped several times, as the initial memory of all
    /// detectors of one kind is, counts once (Pss).
    pub fn proportional_kib(&self) -> Result<f64> {
        self.kib("smaps_rollup", "Pss:")
    }

    fn kib(&self, file: &str, name: &str) -> Result<f64> {
        let text = std::fs::read_to_string(format!("/proc/{}/{file}", self.child.id()))?;
        let line =
            text.lines().find_map(|line| line.strip_prefix(name)).with_context(|| format!("no {name}"))?;
        Ok(line.trim().trim_end_matches(" kB").parse()?)
    }

    /// Files and sockets that it holds open.
    pub fn open_files(&self) -> Result<usize> {
        Ok(std::fs::read_dir(format!("/proc/{}/fd", self.child.id()))?.count())
    }

    pub fn threads(&self) -> Result<usize> {
        Ok(std::fs::read_dir(format!("/proc/{}/task", self.child.id()))?.count())
    }

    /// User and system time so far.
    pub fn cpu_seconds(&self) -> Result<f64> {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id()))?;
        let after = stat.rsplit_once(')').context("no stat")?.1;
        let ticks: Vec<f64> =
            after.split_whitespace().skip(11).take(2).filter_map(|word| word.parse().ok()).collect();
        // A hundred ticks a second on Linux, whatever the kernel's own clock does.
        Ok(ticks.iter().sum::<f64>() / 100.0)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Bytes of the files in a folder.
pub fn folder_bytes(dir: &Path) -> Result<u64> {
    let mut bytes = 0;
    for entry in std::fs::read_dir(dir)? {
        let about = entry?.metadata()?;
        if about.is_file() {
            bytes += about.len();
        }
    }
    Ok(bytes)
}
