//! What the judge counted and found, and how much of what it excuses may be.

use std::collections::BTreeMap;
use std::fmt;

use serde_json::{Value as Json, json};

use super::At;

/// What is wrong with a plain off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    WorkShown,
    Unreadable,
    LinkLost,
    Rewired,
    NeverIdle,
    /// Cut at work that had lasted for long, in which nothing was heard of the machine.
    Dark,
    /// Carried out after it should have expired, on a machine at work.
    Late,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    pub at: At,
    pub machine: String,
    pub fault: Fault,
    pub words: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Finding { at, machine, fault, words } = self;
        write!(f, "judge: plain off of {machine} at {at:?}: {fault:?}: {words}")
    }
}

/// Why a machine at work may lose its power to a plain off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Excuse {
    /// The work had begun so shortly before that it could not have shown.
    Unseen,
    /// What was delivered said idle all along.
    Lied,
    /// The work began while the order was on its way.
    OnItsWay,
    /// What shows work and the order crossed on their way.
    Crossed,
}

impl Excuse {
    pub const ALL: [Excuse; 4] = [Excuse::Unseen, Excuse::Lied, Excuse::OnItsWay, Excuse::Crossed];

    pub fn words(self) -> &'static str {
        match self {
            Excuse::Unseen => "work begun unseen",
            Excuse::Lied => "meter lied",
            Excuse::OnItsWay => "work begun while the order was on its way",
            Excuse::Crossed => "crossed on the way",
        }
    }
}

#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub messages: u64,
    pub records: u64,
    pub rubbish: u64,
    pub stored: u64,
    /// Offs by their explanation, as they were sent.
    pub plain: u64,
    pub forced: u64,
    pub emergency: u64,
    /// Plain offs that reached their outlet, and those that found the machine at work.
    pub received: u64,
    pub at_work: u64,
    pub excuses: BTreeMap<Excuse, u64>,
    pub findings: Vec<Finding>,
}

/// Of a hundred plain offs so many may be excused. More than that, and the excuse hides a fault.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    pub unseen: f64,
    pub lied: f64,
    pub on_its_way: f64,
    pub crossed: f64,
    /// And so many whatever their share.
    pub free: u64,
    /// Fewer plain offs than this prove nothing.
    pub plain_min: u64,
}

/// After so many of one life nothing new is learnt.
const FINDINGS_MAX: usize = 50;

impl Tally {
    pub(super) fn find(&mut self, finding: Finding) {
        if self.findings.len() < FINDINGS_MAX {
            self.findings.push(finding);
        }
    }

    pub(super) fn excuse(&mut self, excuse: Excuse) {
        *self.excuses.entry(excuse).or_default() += 1;
    }

    pub fn excused(&self, excuse: Excuse) -> u64 {
        self.excuses.get(&excuse).copied().unwrap_or_default()
    }

    pub fn add(&mut self, other: &Tally) {
        self.messages += other.messages;
        self.records += other.records;
        self.rubbish += other.rubbish;
        self.stored += other.stored;
        self.plain += other.plain;
        self.forced += other.forced;
        self.emergency += other.emergency;
        self.received += other.received;
        self.at_work += other.at_work;
        for (excuse, count) in &other.excuses {
            *self.excuses.entry(*excuse).or_default() += count;
        }
        other.findings.iter().for_each(|finding| self.find(finding.clone()));
    }

    /// Which excuses were needed too often, in words.
    pub fn excessive(&self, limits: &Limits) -> Vec<String> {
        let mut excessive = Vec::new();
        if self.plain < limits.plain_min {
            let least = limits.plain_min;
            excessive.push(format!("only {} plain offs were judged, fewer than {least}", self.plain));
        }
        for excuse in Excuse::ALL {
            let percent = match excuse {
                Excuse::Unseen => limits.unseen,
                Excuse::Lied => limits.lied,
                Excuse::OnItsWay => limits.on_its_way,
                Excuse::Crossed => limits.crossed,
            };
            let count = self.excused(excuse);
            #[expect(clippy::cast_precision_loss, reason = "counts of ordinary size")]
            let (count_f, most) = (count as f64, (self.plain as f64 * percent / 100.0));
            if count > limits.free && count_f > most {
                let (plain, words) = (self.plain, excuse.words());
                excessive.push(format!("{words}: {count} of {plain} plain offs, more than {percent} %"));
            }
        }
        excessive
    }

    /// Everything that is wrong, in words.
    pub fn complaints(&self, limits: &Limits) -> Vec<String> {
        self.findings.iter().map(ToString::to_string).chain(self.excessive(limits)).collect()
    }

    pub fn json(&self) -> Json {
        let excused: BTreeMap<_, _> =
            Excuse::ALL.iter().map(|excuse| (excuse.words(), self.excused(*excuse))).collect();
        json!({
            "messages": self.messages, "records": self.records, "unreadable": self.rubbish, "stored": self.stored,
            "offs": { "plain": self.plain, "forced": self.forced, "emergency": self.emergency },
            "arrived": self.received, "at_work": self.at_work, "excused": excused, "found": self.findings.len(),
        })
    }

    pub fn lines(&self) -> Vec<String> {
        let excuses: Vec<_> = Excuse::ALL
            .iter()
            .map(|excuse| format!("{} {}", excuse.words(), self.excused(*excuse)))
            .collect();
        vec![
            format!(
                "judged    {} messages ({} records, {} unreadable, {} stored), offs plain {}, forced {}, emergency {}",
                self.messages,
                self.records,
                self.rubbish,
                self.stored,
                self.plain,
                self.forced,
                self.emergency
            ),
            format!(
                "          {} plain offs arrived, {} at a machine at work; excused: {}; found {}",
                self.received,
                self.at_work,
                excuses.join(", "),
                self.findings.len()
            ),
        ]
    }
}
