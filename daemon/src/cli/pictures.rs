//! Pictures on the terminal and in files.

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::output;
use idlegate_pictures::palette;
use idlegate_pictures::picture::{Colour, Picture};

pub(super) fn show(pictures: &[Picture]) {
    let stdout = std::io::stdout();
    let (colour, columns) = if stdout.is_terminal() {
        let colour = if palette::is_wanted() { Colour::Ansi } else { Colour::Plain };
        (colour, crossterm::terminal::size().map_or(80, |(columns, _)| columns))
    } else {
        (Colour::Plain, 100)
    };
    for picture in pictures {
        output::coloured(&format!("\n{}", picture.to_text(columns, colour)));
    }
}

/// One file for one picture; for more, further ones with a number.
pub(super) fn draw(path: &Path, pictures: &[Picture]) -> anyhow::Result<()> {
    for (index, picture) in pictures.iter().enumerate() {
        let path = if index == 0 { path.to_owned() } else { numbered(path, index + 1) };
        std::fs::write(&path, picture.to_svg())
            .with_context(|| format!("cannot write {}", path.display()))?;
    }
    Ok(())
}

fn numbered(path: &Path, number: usize) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let extension = path.extension().map(|extension| format!(".{}", extension.to_string_lossy()));
    path.with_file_name(format!("{stem}-{number}{}", extension.unwrap_or_default()))
}
