//! Jobs hit against release time: ours as a job is worth more or less, and a plain dwell with higher and lower floors.

use std::fmt::Write as _;

use anyhow::{Result, ensure};
use idlegate_guard::time::Span;
use idlegate_recordings::calibrate::{FLOOR, JobWorth};
use serde_json::{Value as Json, json};

use super::meters::Meter;
use super::paired::{LEVEL, Paired};
use super::protocol::{Asked, Guard, Judged, Protocol};
use super::references::PLAIN_DWELL;

/// The points of both families under one protocol.
pub(crate) struct Curve {
    protocol: Protocol,
    pub(crate) ours: Vec<Point>,
    pub(crate) plain: Vec<Point>,
}

pub(crate) struct Point {
    /// What a job is worth, or the floor of the plain dwell.
    pub(crate) label: String,
    pub(crate) jobs: usize,
    pub(crate) hit: usize,
    /// The median over meters.
    pub(crate) release_minutes: f64,
    /// Job by job.
    hits: Vec<bool>,
}

pub(crate) fn all(meters: &[Meter], worths_hours: &[f64], floors_secs: &[u32]) -> Result<Vec<Curve>> {
    println!("\n{PLAIN_DWELL}");
    let mut curves = Vec::new();
    for protocol in [Protocol::FirstMarked, Protocol::Confirmed] {
        let point = |label: String, guard| {
            Judged::all(meters, protocol, guard, Asked::Detector).map(|judged| Point::of(label, &judged))
        };
        let ours = worths_hours.iter().map(|hours| {
            let worth = JobWorth(whole_secs(hours * 3_600.0));
            point(format!("{hours} h"), Guard::Ours { worth, floor: FLOOR })
        });
        let ours = ours.collect::<Result<Vec<_>>>()?;
        let plain =
            floors_secs.iter().map(|secs| point(format!("{secs} s"), Guard::Plain { floor_secs: *secs }));
        let curve = Curve { protocol, ours, plain: plain.collect::<Result<Vec<_>>>()? };
        curve.print();
        curve.check()?;
        curves.push(curve);
    }
    Ok(curves)
}

fn whole_secs(secs: f64) -> Span {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hours")]
    let secs = secs as u64;
    Span::secs(secs)
}

impl Point {
    fn of(label: String, judged: &Judged) -> Point {
        let jobs = judged.rows.iter().flat_map(|row| &row.jobs).filter(|job| !job.long_pause);
        let hits: Vec<bool> = jobs.map(|job| job.score.hit).collect();
        let hit = hits.iter().filter(|hit| **hit).count();
        let release_minutes = judged.release_minutes(false).unwrap_or(f64::INFINITY);
        Point { label, jobs: hits.len(), hit, release_minutes, hits }
    }

    fn as_json(&self) -> Json {
        json!({ "at": self.label, "jobs": self.jobs, "jobs_hit": self.hit, "release_minutes": self.release_minutes })
    }
}

impl Curve {
    /// The plain dwell that lets go next as late as this point of ours, or later; the last if there is none.
    fn beside(&self, ours: &Point) -> Option<&Point> {
        let later = self.plain.iter().filter(|plain| plain.release_minutes >= ours.release_minutes);
        let next = later.min_by(|one, other| one.release_minutes.total_cmp(&other.release_minutes));
        next.or(self.plain.last())
    }

    fn pairs(&self) -> impl Iterator<Item = (&Point, &Point, Paired)> {
        self.ours.iter().filter_map(|ours| {
            let plain = self.beside(ours)?;
            Some((ours, plain, Paired::of(ours.hits.iter().copied(), plain.hits.iter().copied())))
        })
    }

    fn print(&self) {
        println!("\njobs hit against release time, {}", self.protocol.name());
        println!("  {:<12}{:>10}{:>6}{:>14}", "plain dwell", "hit", "of", "release, min");
        for Point { label, jobs, hit, release_minutes, .. } in &self.plain {
            println!("  {label:<12}{hit:>10}{jobs:>6}{release_minutes:>14.1}");
        }
        println!(
            "  {:<12}{:>10}{:>6}{:>14}   beside a plain dwell no sooner: only ours hit, only it hit, chance",
            "job worth", "hit", "of", "release, min"
        );
        for (Point { label, jobs, hit, release_minutes, .. }, plain, paired) in self.pairs() {
            println!(
                "  {label:<12}{hit:>10}{jobs:>6}{release_minutes:>14.1}   floor {}: {}, {}, {:.3}",
                plain.label,
                paired.only_ours,
                paired.only_theirs,
                paired.chance()
            );
        }
    }

    /// At no release time ours hits more jobs than a plain dwell.
    fn check(&self) -> Result<()> {
        for (ours, plain, paired) in self.pairs() {
            ensure!(
                !paired.ours_hits_more(),
                "{}: with a job worth {} ours hits more jobs than a plain dwell of {}, at the level of {LEVEL}: {paired:?}",
                self.protocol.name(),
                ours.label,
                plain.label
            );
        }
        Ok(())
    }

    pub(crate) fn as_json(&self) -> Json {
        let points = |points: &[Point]| points.iter().map(Point::as_json).collect::<Vec<_>>();
        json!({ "protocol": self.protocol.name(), "ours": points(&self.ours), "plain": points(&self.plain) })
    }
}

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 320.0;
const MINUTES_MAX: f64 = 21.0;

/// One chart for each protocol, below each other.
pub(crate) fn svg(curves: &[Curve]) -> String {
    #[expect(clippy::cast_precision_loss, reason = "there are two")]
    let height = HEIGHT * curves.len() as f64;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n"
    );
    for (index, curve) in curves.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "there are two")]
        let top = HEIGHT * index as f64;
        chart(&mut svg, curve, top);
    }
    svg.push_str("</svg>\n");
    svg
}

fn chart(svg: &mut String, curve: &Curve, top: f64) {
    let points = || curve.ours.iter().chain(&curve.plain);
    #[expect(clippy::cast_precision_loss, reason = "there are few jobs")]
    let hit_max = points().map(|point| point.hit).max().unwrap_or(0).max(4) as f64;
    let x = |minutes: f64| 50.0 + minutes.min(MINUTES_MAX) / MINUTES_MAX * (WIDTH - 80.0);
    #[expect(clippy::cast_precision_loss, reason = "there are few jobs")]
    let y = |hit: usize| top + HEIGHT - 45.0 - hit as f64 / hit_max * (HEIGHT - 90.0);
    let mut text = |x: f64, y: f64, words: &str, fill: &str| {
        // A text never fails to take more.
        let _ = writeln!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\" fill=\"{fill}\">{words}</text>");
    };
    text(50.0, top + 20.0, &format!("Jobs hit against release time: {}", curve.protocol.name()), "#222");
    text(50.0, top + 36.0, "● ours, by what a job is worth", "#0a5");
    text(300.0, top + 36.0, "■ plain dwell, by its floor", "#c40");
    for minutes in [0.0, 5.0, 10.0, 15.0, 20.0] {
        text(x(minutes) - 4.0, top + HEIGHT - 26.0, &format!("{minutes}"), "#222");
    }
    text(x(7.0), top + HEIGHT - 10.0, "minutes until off is possible (median over meters)", "#222");
    text(20.0, y(0), "0", "#222");
    text(20.0, top + 45.0, &format!("{hit_max}"), "#222");
    let mut lines = String::new();
    for (points, fill, mark) in [(&curve.ours, "#0a5", "●"), (&curve.plain, "#c40", "■")] {
        for (index, point) in points.iter().enumerate() {
            text(x(point.release_minutes) - 5.0, y(point.hit) + 4.0, mark, fill);
            let above = if index % 2 == 0 { -8.0 } else { -20.0 };
            text(x(point.release_minutes) - 10.0, y(point.hit) + above, &point.label, fill);
        }
        let line: Vec<String> =
            points.iter().map(|it| format!("{:.1},{:.1}", x(it.release_minutes), y(it.hit))).collect();
        let _ = writeln!(lines, "<polyline points=\"{}\" fill=\"none\" stroke=\"{fill}\"/>", line.join(" "));
    }
    svg.push_str(&lines);
}
