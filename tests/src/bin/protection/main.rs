//! Protection on real machines. Calibrate a meter on some of its days, then see all through other days when power could
//! have been cut; by four protocols, with the jobs marked or not. What comes out must be what README says.

mod claims;
mod curve;
mod floor;
mod jobs;
mod meters;
mod paired;
mod protocol;
mod references;
mod score;
mod unusual;
mod workshop;

use std::path::PathBuf;

use anyhow::Result;
use clap::Parser;
use idlegate_detectors::{Execution, Modules};
use idlegate_recordings::calibrate::{FLOOR, JobWorth};
use idlegate_tests::form::Form;
use idlegate_tests::open_data;
use meters::Meter;
use protocol::{Asked, Guard, Judged, Protocol};
use serde_json::{Value as Json, json};
use unusual::Split;

/// Calibrates every meter on some of its days, and asks all through others whether power could have been cut
///
/// The recordings are those of IDLEGATE_OPEN_DATA, and the figures are held against what README says of them. Fifty
/// simulated workshop machines come in a table of their own. The short form draws the curve from fewer points, and
/// simulates ten.
#[derive(Parser)]
struct Args {
    /// Other recordings *.csv.gz and their jobs.csv, of which README says nothing
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Draw the curve of jobs hit against release time into this SVG file
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Only whether each job is put on record as exactly one
    #[arg(long)]
    jobs: bool,
    /// Only what is warned of as an unusual draw
    #[arg(long, conflicts_with = "jobs")]
    unusual: bool,
    #[command(flatten)]
    form: Form,
}

/// Of the days on which jobs are put on record, the short form looks at one in so many.
const JOBS_EVERY: usize = 4;

/// The parts of the recordings of which README speaks.
const PARTS: [&str; 2] = ["power", "power-hard"];

fn main() -> Result<()> {
    let args = Args::parse();
    let mut figures = serde_json::Map::new();
    let mut skipped = 0;
    let mut meters: Vec<Meter> = Vec::new();
    if let Some(folder) = &args.data {
        meters = meters::load(folder)?;
    } else {
        for part in PARTS {
            match open_data::part(part) {
                Ok(folder) => meters.extend(meters::load(&folder)?),
                Err(why) => {
                    skipped += 1;
                    println!("protection: {why}");
                }
            }
        }
    }
    if !meters.is_empty() && !args.unusual {
        figures.insert("real".to_owned(), real(&meters, &args, skipped == 0)?);
    }
    if !args.jobs {
        let splits = args.form.either(vec![Split::Halves], vec![Split::OneLeftOut, Split::EveryBeginning]);
        if !meters.is_empty() {
            figures.insert("unusual".to_owned(), unusual::table("real machines", &meters, &splits)?);
        }
        let made_up = workshop::machines(args.form.either(10, 50));
        figures
            .insert("unusual_workshop".to_owned(), unusual::table("simulated machines", &made_up, &splits)?);
    }
    if !args.jobs && !args.unusual {
        figures.insert("workshop".to_owned(), workshop::table(args.form.either(10, 50))?);
    }
    args.form.write(&Json::Object(figures))?;
    match (meters.len(), skipped) {
        (0, _) => println!("protection: no recordings, so only simulated machines were tried"),
        (count, _) if args.unusual => println!("protection: unusual draws on {count} meters"),
        (count, 0) => println!("protection: {count} meters, as README says"),
        (count, _) => println!("protection: {count} meters; the rest was skipped"),
    }
    Ok(())
}

fn real(meters: &[Meter], args: &Args, whole: bool) -> Result<Json> {
    let floors = floor::derive(meters);
    println!("\n{}", floors.words());
    let modules = Modules::new(Execution::Automatic, None)?;
    let on_record = jobs::all(meters, &modules, args.form.either(JOBS_EVERY, 1))?;
    if args.jobs {
        return Ok(on_record);
    }
    let ours = Guard::Ours { worth: JobWorth::default(), floor: FLOOR };
    let mut tables = Vec::new();
    for protocol in Protocol::ALL {
        let asked = match protocol {
            Protocol::FirstMarked => args.form.either(Asked::GuardAtLast(&modules), Asked::Guard(&modules)),
            Protocol::FirstUnmarked | Protocol::Confirmed | Protocol::Unconfirmed => {
                args.form.either(Asked::Detector, Asked::Guard(&modules))
            }
        };
        let judged = Judged::all(meters, protocol, ours, asked)?;
        judged.print();
        tables.push(judged);
    }
    leave_one_out(meters, &floors)?;
    let worths = args.form.either(vec![2.0, 8.0], vec![0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0]);
    let plain = args.form.either(vec![180, 300, 900], vec![60, 120, 180, 240, 300, 420, 600, 900, 1_200]);
    let curves = curve::all(meters, &worths, &plain)?;
    if let Some(file) = &args.svg {
        std::fs::write(file, curve::svg(&curves))?;
        println!("the curve is in {}", file.display());
    }
    if args.data.is_none() && whole {
        floors.check()?;
        claims::check(&tables, &curves)?;
    }
    Ok(json!({
        "on_record": on_record,
        "protocols": tables.iter().map(Judged::as_json).collect::<Vec<_>>(),
        "curves": curves.iter().map(curve::Curve::as_json).collect::<Vec<_>>(),
    }))
}

/// The floor is all that was fitted. Each meter is judged with the floor that the others give.
fn leave_one_out(meters: &[Meter], floors: &floor::Floors) -> Result<()> {
    println!("\nwith the floor that the other meters give (leave one meter out)");
    for protocol in [Protocol::FirstMarked, Protocol::Confirmed] {
        let mut left_out = Judged::none(protocol);
        for (meter, floor) in meters.iter().zip(&floors.without) {
            let ours = Guard::Ours { worth: JobWorth::default(), floor: *floor };
            left_out.rows.push(protocol::judge(meter, protocol, ours, Asked::Detector)?);
        }
        println!("  {}", left_out.sum());
    }
    Ok(())
}
