//! `idlegate commission` or `drill`, and whoever talks with it.

use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use anyhow::{Context as _, Result, bail};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};

use crate::DEADLINE;
use crate::process::program;

/// Ends the program when dropped.
#[derive(Debug)]
pub struct Conversation {
    child: Child,
    input: ChildStdin,
    output: ChildStdout,
    /// What it has said and was not yet waited for.
    said: String,
    /// How many questions it has been answered.
    pub answered: usize,
}

impl Conversation {
    /// Line by line, as through a pipe.
    pub fn begin(rules: &Path, machine: &str, port: u16) -> Result<Conversation> {
        let mut command = Command::new(program()?);
        command.arg("commission").arg(rules).args([machine, "--broker", &format!("127.0.0.1:{port}")]);
        Conversation::with(command)
    }

    /// `idlegate drill` by these rules.
    pub fn drill(rules: &Path, words: &[&str]) -> Result<Conversation> {
        let mut command = Command::new(program()?);
        command.arg("drill").arg(rules).args(words);
        Conversation::with(command)
    }

    /// In a terminal, with what is shown only there. `script` is part of every Debian.
    pub fn in_terminal(rules: &Path, machine: &str, port: u16) -> Result<Conversation> {
        let program = program()?;
        let line = format!(
            "stty -echo; exec '{}' commission '{}' {machine} --broker 127.0.0.1:{port}",
            program.display(),
            rules.display()
        );
        let mut command = Command::new("script");
        command.args(["--quiet", "--flush", "--return", "--command", &line, "/dev/null"]);
        Conversation::with(command)
    }

    fn with(mut command: Command) -> Result<Conversation> {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).kill_on_drop(true).spawn()?;
        let input = child.stdin.take().context("no way to say something")?;
        let output = child.stdout.take().context("no way to hear something")?;
        Ok(Conversation { child, input, output, said: String::new(), answered: 0 })
    }

    /// Waits until it says this.
    pub async fn hears(&mut self, words: &str) -> Result<()> {
        self.hears_within(words, DEADLINE).await
    }

    pub async fn hears_within(&mut self, words: &str, patience: Duration) -> Result<()> {
        let heard = async {
            loop {
                if let Some(at) = self.said.find(words) {
                    self.said.drain(..at + words.len());
                    return Ok(());
                }
                let mut bytes = [0; 4096];
                let count = self.output.read(&mut bytes).await?;
                if count == 0 {
                    bail!("it ended before it said {words:?}: {}", self.said);
                }
                let new = String::from_utf8_lossy(&bytes[..count]).replace('\r', "");
                // Whoever reads a failure wants the whole of it.
                eprint!("{new}");
                self.said.push_str(&new);
            }
        };
        let in_time = tokio::time::timeout(patience, heard).await;
        in_time.with_context(|| format!("waited too long for {words:?} after: {}", self.said))?
    }

    /// What it has said since what was last waited for.
    pub fn said(&self) -> &str {
        &self.said
    }

    pub async fn says(&mut self, words: &str) -> Result<()> {
        self.answered += 1;
        eprintln!("[answered: {words}]");
        Ok(self.input.write_all(format!("{words}\n").as_bytes()).await?)
    }

    pub async fn answers(&mut self, question: &str, answer: &str) -> Result<()> {
        self.hears(question).await?;
        self.says(answer).await
    }

    /// As Ctrl-C in a terminal.
    pub async fn interrupted(&mut self) -> Result<()> {
        Ok(self.input.write_all(b"\x03").await?)
    }

    pub async fn ends(mut self) -> Result<Option<i32>> {
        // A pipe that nobody empties would hold it up.
        let mut rest = Vec::new();
        let ended = async {
            self.output.read_to_end(&mut rest).await?;
            anyhow::Ok(self.child.wait().await?.code())
        };
        tokio::time::timeout(DEADLINE, ended).await?
    }
}
