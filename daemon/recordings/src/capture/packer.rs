//! Messages into packs, and packs into the folder: at most one a minute, since it may be a memory card.
//!
//! The time is an argument, so that a fortnight passes in a test.

use std::io;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::recorder::Recorder;
use crate::recording::{KeptFolder, Writer};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::Plan;
use idlegate_plan::event::Message;

const PACK_EVERY: Span = Span::secs(60);
/// What a pack may take in memory. In a minute that holds more, readings are lost, and counted.
const PACK_BYTES_MAX: usize = 4 << 20;

#[derive(Debug)]
pub struct Packer {
    recorder: Recorder,
    folder: KeptFolder,
    pack: Pack,
    /// When the last pack was begun: written or not, the next one is a minute later.
    begun: Moment,
    lost: u64,
    /// What all files took after the last pack, unless it could not be written.
    written: Option<u64>,
}

#[derive(Debug)]
struct Pack {
    writer: Writer<GzEncoder<Vec<u8>>>,
    readings: u64,
}

impl Pack {
    fn new() -> Pack {
        Pack { writer: Writer::new(GzEncoder::new(Vec::new(), Compression::default())), readings: 0 }
    }
}

impl Packer {
    pub fn new(plan: &Plan, folder: KeptFolder, now: Moment) -> Packer {
        let (recorder, pack) = (Recorder::new(plan, &[]), Pack::new());
        Packer { recorder, folder, pack, begun: now, lost: 0, written: None }
    }

    /// New rules; what is packed already stays.
    pub fn follow(&mut self, plan: &Plan, age_max: Span) {
        self.recorder = Recorder::new(plan, &[]);
        self.folder.set_age_max(age_max);
    }

    pub fn take(&mut self, now: Now, message: &Message) {
        for taken in self.recorder.take(now, message) {
            let is_full = self.pack.writer.get_mut().get_ref().len() >= PACK_BYTES_MAX;
            let written = !is_full
                && self.pack.writer.write(&taken.name, taken.unit.as_deref(), taken.at, &taken.value).is_ok();
            self.pack.readings += u64::from(written);
            self.lost += u64::from(!written);
        }
    }

    /// Writes the pack when it is time; what cannot be written is lost.
    pub fn turn(&mut self, now: Now) -> io::Result<()> {
        self.folder.give_way()?;
        if now.moment.since(self.begun) < PACK_EVERY {
            return Ok(());
        }
        self.begun = now.moment;
        self.write(now)
    }

    /// Whatever there is, at the end.
    pub fn write(&mut self, now: Now) -> io::Result<()> {
        if self.pack.readings == 0 {
            return Ok(());
        }
        let Pack { writer, readings } = std::mem::replace(&mut self.pack, Pack::new());
        let written = writer.into_inner().finish().and_then(|pack| self.folder.append(&pack, now));
        self.written = written.is_ok().then(|| self.folder.bytes().unwrap_or(0));
        written.inspect_err(|_| self.lost += readings)
    }

    /// Readings that were not kept, since the start.
    pub fn lost(&self) -> u64 {
        self.lost
    }

    /// What all files took after the last pack; nothing before the first, and after one that could not be written.
    pub fn written(&self) -> Option<u64> {
        self.written
    }
}
