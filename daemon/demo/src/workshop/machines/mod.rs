//! The kinds of machine in the workshop: what each draws while it starts, waits, works and runs on.
//!
//! The figures are of the usual size for such machines and measured on none in particular.

mod dust_extractor;
mod filament_printer;
mod kiln;
mod laser_cutter;
mod mill;

pub use dust_extractor::DustExtractor;
pub use filament_printer::FilamentPrinter;
pub use kiln::Kiln;
pub use laser_cutter::LaserCutter;
pub use mill::Mill;

#[cfg(test)]
mod tests;
