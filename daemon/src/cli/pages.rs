//! `idlegate pages`: manual pages and shell completions, from the very definition of the command line. For packagers.

use std::path::Path;

use anyhow::Context as _;
use clap::CommandFactory as _;
use clap_complete::Shell;

use super::args::Args;
use super::exit_code::Exit;

/// Laid out as under `/usr/share`.
pub(super) fn write(dir: &Path) -> anyhow::Result<Exit> {
    let folder = |sub: &str| -> anyhow::Result<_> {
        let folder = dir.join(sub);
        std::fs::create_dir_all(&folder).with_context(|| format!("cannot create {}", folder.display()))?;
        Ok(folder)
    };
    let cannot = || format!("cannot write into {}", dir.display());
    clap_mangen::generate_to(Args::command(), folder("man/man1")?).with_context(cannot)?;
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
