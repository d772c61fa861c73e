//! `idlegate pages`: manual pages and shell completions, from the very definition of the command line. For packagers.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::CommandFactory as _;
use clap_complete::Shell;
use clap_mangen::Man;
use idlegate_os::Clock;
use idlegate_plan::text::rfc3339;

use super::Args;
use super::exit_code::Exit;

/// Write manual pages and shell completions, laid out as in /usr/share.
#[derive(Debug, clap::Args)]
pub(super) struct PagesArgs {
    /// The folder to write to.
    dir: PathBuf,
}

impl PagesArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let dir = &self.dir;
        let folder = |sub: &str| -> anyhow::Result<_> {
            let folder = dir.join(sub);
            std::fs::create_dir_all(&folder)
                .with_context(|| format!("cannot create {}", folder.display()))?;
            Ok(folder)
        };
        let cannot = || format!("cannot write into {}", dir.display());
        let date = date();
        let mut command = Args::command().disable_help_subcommand(true);
        command.build();
        write_manual_pages(&command, &folder("man/man1")?, &date).with_context(cannot)?;
        std::fs::write(
            folder("man/man5")?.join("idlegate-rules.5"),
            idlegate_rules::reference::manual(&date),
        )
        .with_context(cannot)?;
        for (shell, sub) in [
            (Shell::Bash, "bash-completion/completions"),
            (Shell::Zsh, "zsh/vendor-completions"),
            (Shell::Fish, "fish/vendor_completions.d"),
        ] {
            let path = clap_complete::generate_to(shell, &mut Args::command(), "idlegate", folder(sub)?);
            let path = path.with_context(cannot)?;
            // Bash loads a completion by the command's own name.
            if shell == Shell::Bash {
                std::fs::rename(&path, path.with_file_name("idlegate")).with_context(cannot)?;
            }
        }
        Ok(Exit::Good)
    }
}

/// The day that manual pages are dated with: today, or what a packager sets so that one source gives one package
/// (SOURCE_DATE_EPOCH, reproducible-builds.org).
fn date() -> String {
    let set = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse().ok());
    let at = set.and_then(|secs| jiff::Timestamp::from_second(secs).ok());
    let at = at.map_or_else(|| rfc3339(Clock.now().wall), |at| at.to_string());
    at.split('T').next().unwrap_or_default().to_owned()
}

/// One page for the command and one for each that people are shown below it.
fn write_manual_pages(command: &clap::Command, folder: &Path, date: &str) -> std::io::Result<()> {
    for below in command.get_subcommands().filter(|below| !below.is_hide_set()) {
        write_manual_pages(below, folder, date)?;
    }
    let name = command.get_display_name().unwrap_or_else(|| command.get_name()).to_owned();
    let page = Man::new(command.clone())
        .title(name.to_uppercase())
        .date(date)
        .source(concat!("Idlegate ", env!("CARGO_PKG_VERSION")))
        .manual("Idlegate");
    let mut roff = Vec::new();
    page.render(&mut roff)?;
    std::fs::write(folder.join(format!("{name}.1")), tidy(&String::from_utf8_lossy(&roff)))
}

/// The same page without what the checkers of manual pages complain of: white space at the ends of lines, and line
/// breaks around an empty line.
fn tidy(roff: &str) -> String {
    let lines: Vec<&str> = roff.lines().map(str::trim_end).collect();
    let beside_empty = |at: usize| {
        let empty =
            |beside: Option<usize>| beside.and_then(|at| lines.get(at)).is_some_and(|line| line.is_empty());
        empty(at.checked_sub(1)) || empty(at.checked_add(1))
    };
    let kept = lines.iter().enumerate().filter(|(at, line)| **line != ".br" || !beside_empty(*at));
    kept.map(|(_, line)| if line.is_empty() { ".sp\n".to_owned() } else { format!("{line}\n") }).collect()
}
