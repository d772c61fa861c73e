//! `idlegate export`: the journal as CloudEvents, one a line, or its readings as SenML, one record's a line.

use std::io::Write as _;

use super::exit_code::Exit;
use super::journal::{self, Excerpt};
use super::output::{Form, Gate};
use super::times::Time;
use idlegate_engine::intake::senml::write_pack;
use idlegate_journal::Query;
use idlegate_journal::export::{Readings, cloud_event};

/// Write the journal's records as CloudEvents 1.0 in JSON, one per line.
#[derive(Debug, clap::Args)]
pub(super) struct ExportArgs {
    #[command(flatten)]
    excerpt: Excerpt,
    /// Write only the readings, as SenML JSON (RFC 8428): those behind decisions, and the draw of every minute.
    #[arg(long)]
    senml: bool,
}

impl ExportArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let wanted = &self.excerpt;
        let reader = match journal::open(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
            Ok(reader) => reader,
            Err(exit) => return Ok(exit),
        };
        let (from, to) = (wanted.from.map(Time::wall), wanted.to.map(Time::wall));
        let query = Query { from, to, machine: wanted.machine.clone(), ..Query::default() };
        let mut out = Gate { form: Form::Json, to: std::io::BufWriter::new(std::io::stdout().lock()) };
        let mut readings = Readings::default();
        for record in reader.records(&query) {
            let record = record?;
            let line = if self.senml {
                let readings = readings.of(&record);
                if readings.is_empty() {
                    continue;
                }
                write_pack(&readings)?
            } else {
                cloud_event(&record, "/idlegate").to_string()
            };
            let written = writeln!(out, "{line}");
            match written {
                Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(Exit::Good),
                written => written?,
            }
        }
        out.flush()?;
        Ok(Exit::Good)
    }
}
