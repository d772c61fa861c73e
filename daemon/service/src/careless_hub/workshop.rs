//! Weeks of a printer and of people who press buttons, written down before anybody guards it.

use super::guarding::BEGAN;

pub(super) const WORKING_WATTS: f64 = 118.0;
const IDLE_WATTS: f64 = 8.0;
const SEC: u64 = 1_000;
const MIN: u64 = 60 * SEC;
const DAY: u64 = 24 * 60 * MIN;
const METER_EVERY: u64 = 60 * SEC;
/// How long the hub takes to switch.
const DELAYS: [u64; 12] = [0, 90, 400, 1_100, 2_500, 4_000, 7_000, 9_000, 9_999, 10_000, 12_000, 15_000];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Input {
    /// Flips.
    Bench,
    Panel,
    /// Nobody stands there.
    Night,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Act {
    Press(Input),
    Outlet(bool),
    Reads(f64),
    Starts,
    Stops,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trouble {
    None,
    /// The guard is stopped for 25 min in a job, and the meter is silent for 14 min.
    AwayAndSilent,
    /// The guard is started anew between a press and what the hub makes of it, idle and working.
    Restarts,
}

#[derive(Debug)]
pub(super) struct Script {
    /// In order of time.
    pub(super) acts: Vec<(u64, Act)>,
    /// From when to when the printer drew what it draws at work.
    pub(super) jobs: Vec<(u64, u64)>,
}

struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    fn between(&mut self, low: u64, high: u64) -> u64 {
        low + self.next() % (high - low)
    }

    fn percent(&mut self, chance: u64) -> bool {
        self.next() % 100 < chance
    }

    fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[usize::try_from(self.next() % all.len() as u64).unwrap()]
    }
}

struct Writer {
    dice: Dice,
    script: Script,
    at: u64,
    trouble: Trouble,
    silent: Option<(u64, u64)>,
    restarts: [bool; 2],
}

impl Script {
    pub(super) fn write(seed: u64, days: u64, trouble: Trouble) -> Script {
        let script = Script { acts: vec![(BEGAN, Act::Outlet(true))], jobs: Vec::new() };
        let dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let mut writer =
            Writer { dice, script, at: BEGAN + 20 * MIN, trouble, silent: None, restarts: [false; 2] };
        while writer.at < BEGAN + days * DAY {
            writer.cycle();
        }
        writer.finish()
    }

    pub(super) fn all<T>(&self, wanted: impl Fn(&Act) -> Option<T>) -> Vec<(u64, T)> {
        self.acts.iter().filter_map(|(at, act)| Some((*at, wanted(act)?))).collect()
    }

    /// When the guard stopped or started.
    pub(super) fn absences(&self) -> Vec<u64> {
        let gone = |act: &Act| matches!(act, Act::Starts | Act::Stops).then_some(());
        self.all(gone).into_iter().map(|(at, ())| at).collect()
    }

    pub(super) fn outlet(&self, on: bool) -> (&'static str, String) {
        ("outlets/printer/says", if on { "closed" } else { "open" }.to_owned())
    }

    pub(super) fn said(&self, act: &Act) -> Option<(&'static str, String)> {
        match act {
            Act::Press(Input::Bench) => Some(("buttons/bench", "press".to_owned())),
            Act::Press(Input::Panel) => Some(("panels/door", "tap".to_owned())),
            Act::Press(Input::Night) => Some(("clock/night", "bell".to_owned())),
            Act::Outlet(on) => Some(self.outlet(*on)),
            Act::Reads(watts) => Some(("meters/printer", format!("{watts:.1}"))),
            Act::Starts | Act::Stops => None,
        }
    }
}

impl Writer {
    fn act(&mut self, at: u64, act: Act) {
        self.script.acts.push((at, act));
    }

    /// A job, or none, and then a while of idleness; any of it may end by a press.
    fn cycle(&mut self) {
        if self.dice.percent(60) {
            let (from, until) = (self.at, self.at + self.dice.between(45, 150) * MIN);
            match self.dice.between(0, 100) {
                0..45 => {
                    let press = self.dice.between(from + 5 * MIN, until - 5 * MIN);
                    if let Some(off) = self.press(press, 0) {
                        self.script.jobs.push((from, off));
                        return self.on_again(off);
                    }
                }
                45..55 => {
                    let off = self.dice.between(from + 5 * MIN, until - 5 * MIN);
                    self.act(off, Act::Outlet(false));
                    self.script.jobs.push((from, off));
                    return self.on_again(off);
                }
                _ if self.trouble == Trouble::AwayAndSilent && !self.restarts[0] => {
                    self.restarts[0] = true;
                    self.act(from + 10 * MIN, Act::Stops);
                    self.act(from + 35 * MIN, Act::Starts);
                }
                _ => {}
            }
            self.script.jobs.push((from, until));
            self.at = until;
        }
        self.at += self.dice.between(20, 40) * MIN;
        if self.trouble == Trouble::AwayAndSilent && self.silent.is_none() {
            self.silent = Some((self.at, self.at + 14 * MIN));
            self.at += 40 * MIN;
        } else if self.dice.percent(70)
            && let Some(off) = self.press(self.at, 1)
        {
            return self.on_again(off);
        }
        self.at += self.dice.between(15, 60) * MIN;
    }

    /// Somebody presses. When the hub made an off of it, if it did.
    fn press(&mut self, at: u64, nth: usize) -> Option<u64> {
        let input = self.dice.one_of(&[Input::Bench, Input::Panel, Input::Night]);
        self.act(at, Act::Press(input));
        if self.trouble == Trouble::Restarts && !self.restarts[nth] {
            self.restarts[nth] = true;
            self.act(at + 2 * SEC, Act::Stops);
            self.act(at + 5 * SEC, Act::Starts);
            self.act(at + 7 * SEC, Act::Outlet(false));
            return Some(at + 7 * SEC);
        }
        let off = match self.dice.between(0, 100) {
            0..15 => None,
            // It heard the press sooner than we did.
            15..30 => Some(at - self.dice.between(1, 3_000)),
            _ => Some(at + self.dice.one_of(&DELAYS)),
        };
        // A second press, by whoever has seen nothing happen; a button that flips would mean the other way.
        if input != Input::Bench && self.dice.percent(25) {
            self.act(at + 3 * SEC, Act::Press(input));
        }
        off.into_iter().for_each(|off| self.act(off, Act::Outlet(false)));
        off
    }

    fn on_again(&mut self, off: u64) {
        let on = off + self.dice.between(15, 120) * MIN;
        self.act(on, Act::Outlet(true));
        self.at = on + 20 * MIN;
    }

    /// With what the meter says, in order of time.
    fn finish(mut self) -> Script {
        let end = self.at + 10 * MIN;
        let mut on = true;
        let mut switched = self.script.all(|act| match act {
            Act::Outlet(on) => Some(*on),
            _ => None,
        });
        switched.sort_by_key(|(at, _)| *at);
        let mut switched = switched.into_iter().peekable();
        let jobs = self.script.jobs.clone();
        let mut job = jobs.iter().peekable();
        for at in (BEGAN + SEC..end).step_by(usize::try_from(METER_EVERY).unwrap()) {
            while let Some((_, to)) = switched.next_if(|(then, _)| *then <= at) {
                on = to;
            }
            while job.next_if(|(_, until)| *until <= at).is_some() {}
            let works = job.peek().is_some_and(|(from, _)| *from <= at);
            let watts = match (on, works) {
                (false, _) => 0.0,
                (true, true) => WORKING_WATTS,
                (true, false) => IDLE_WATTS,
            };
            if self.silent.is_none_or(|(from, until)| !(from..until).contains(&at)) {
                self.act(at, Act::Reads(watts));
            }
        }
        self.act(end, Act::Reads(0.0));
        // Of what comes at the same moment, people press first.
        self.script.acts.sort_by_key(|(at, _)| *at);
        self.script
    }
}
