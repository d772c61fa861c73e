//! What can be wrong with a recording: a meter that repeats itself, a clock that was set back, a pause, a program that
//! was killed while it wrote, a file that is none.

use std::fs::File;
use std::io::Write;

use flate2::Compression;
use flate2::write::GzEncoder;
use proptest::prelude::*;

use super::super::oddities::Oddity;
use super::*;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::event::Value;

fn read(content: impl Into<Vec<u8>>) -> Result<(Vec<Point>, Oddities), RecordingError> {
    let mut reader = RecordingReader::new("mill.csv".into(), std::io::Cursor::new(content.into()))?;
    let points = reader.by_ref().collect::<Result<Vec<_>, _>>()?;
    Ok((points, reader.oddities().clone()))
}

fn told(content: impl Into<Vec<u8>>) -> String {
    read(content).unwrap_err().to_string()
}

fn gzip(content: &str) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(content.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

const POWER: &str = "time,watts\n\
    2026-11-25T08:00:00Z,3\n\
    2026-11-25T08:00:00Z,118.5\n\
    2026-11-25T09:00:02+01:00,120\n\
    2026-11-25T07:59:59Z,119\n\
    2026-11-25T08:06:00Z,\n\
    2026-11-25T08:06:01Z,NaN\n\
    2026-11-25T08:07:00Z,2\n";

#[test]
fn points_come_in_the_order_of_the_file_and_what_is_odd_is_counted() {
    let (points, oddities) = read(POWER).unwrap();
    let values: Vec<_> = points.iter().map(|point| (point.line, point.value.clone())).collect();
    let numbers = [(2, 3.0), (3, 118.5), (4, 120.0), (5, 119.0), (8, 2.0)];
    assert_eq!(values, numbers.map(|(line, number)| (line, Value::Number(number))));
    assert_eq!((&*points[0].signal, points[0].unit.as_deref()), ("watts", Some("W")));
    assert_eq!(points[2].at.0 - points[0].at.0, 2_000);
    assert_eq!(oddities.same_time, Oddity { count: 1, first_line: 3 });
    assert_eq!(oddities.backwards, Oddity { count: 1, first_line: 5 });
    assert_eq!(oddities.without_value, Oddity { count: 2, first_line: 6 });
    assert_eq!(oddities.longest_gap, Span::secs(421));
    assert_eq!(
        oddities.to_string(),
        "1 time twice (line 3), 1 step back in time (line 5), 1 gap (line 8), \
         2 cells without a value (first in line 6); the longest gap is 7 min 1 s"
    );
}

#[test]
fn gzip_line_ends_and_blank_lines_make_no_difference() {
    let (points, oddities) = read(POWER).unwrap();
    assert_eq!(read(gzip(POWER)).unwrap(), (points.clone(), oddities));
    let windows = format!("\u{feff}{}", POWER.replace('\n', "\r\n"));
    assert_eq!(read(windows).unwrap().0, points);
    // Rotated recordings may simply be put together: gzip allows it.
    let (first, second) = POWER.split_at(POWER.match_indices('\n').nth(3).unwrap().0 + 1);
    assert_eq!(read([gzip(first), gzip(second)].concat()).unwrap().0, points);
    let spaced = POWER.replace('\n', "\n\n");
    assert_eq!(read(spaced).unwrap().0.len(), points.len());
}

#[test]
fn senml_lines_are_told_by_their_content() {
    let lines = concat!(
        r#"[{"bn":"mill/","bt":1764057600,"n":"power","u":"W","v":118},{"n":"state","vs":"cutting"}]"#,
        "\n",
        r#"[{"n":"mill/power","u":"W","t":1764057602.5,"v":120},{"n":"mill/door","t":1764057602.5,"vb":true}]"#,
        "\n",
        r#"[{"n":"mill/energy","u":"W","t":1764057603,"s":5000}]"#,
        "\n",
    );
    let (points, oddities) = read(lines).unwrap();
    let text = |word: &str| Value::Text(word.into());
    let found: Vec<_> = points
        .iter()
        .map(|point| (&*point.signal, point.at.0 - 1_764_057_600_000, point.value.clone()))
        .collect();
    assert_eq!(
        found,
        [
            ("mill/power", 0, Value::Number(118.0)),
            ("mill/state", 0, text("cutting")),
            ("mill/power", 2_500, Value::Number(120.0)),
            ("mill/door", 2_500, text("true")),
        ]
    );
    assert_eq!(oddities.to_string(), "1 record without a reading (line 3)");
}

#[test]
fn what_cannot_be_read_is_told_with_file_and_line() {
    for (content, fault) in [
        ("", "mill.csv:1: the recording is empty"),
        (
            "2026-11-25T08:00:00Z,3\n",
            r#"mill.csv:1: "2026-11-25T08:00:00Z,3" is neither a heading such as time,watts nor a SenML pack"#,
        ),
        (
            "time,watts\n2026-11-25T08:00:00,3\n",
            r#"mill.csv:2: "2026-11-25T08:00:00" is not a time with Z or an offset, such as 2026-11-25T08:30:00Z"#,
        ),
        ("time,watts\n\n2026-11-25T08:00:00Z,3 W\n", r#"mill.csv:3: "3 W" is not a number"#),
        (
            "time,watts\n2026-11-25T08:00:00Z,3,4\n",
            "mill.csv:2: this line has 3 cells, but the heading has 2",
        ),
        (
            "[{\"n\":\"mill/power\",\"t\":-5,\"v\":1}]\n",
            r#"mill.csv:1: the record "mill/power" counts its time from "now", which a recording does not have"#,
        ),
        (
            "[]\n[{\"n\":\"mill/power\",\"x_\":1,\"v\":1}]\n",
            r#"mill.csv:2: "x_" in record 0 must be understood, and is not"#,
        ),
    ] {
        assert_eq!(told(content), fault);
    }
    assert_eq!(told(b"time,watts\n\xff\n".as_slice()), "mill.csv:2: not UTF-8");
    assert_eq!(told(vec![b'x'; 1 << 20]), "mill.csv:1: a line has more than 131072 bytes");
    let missing = RecordingReader::open(Path::new("/nowhere/mill.csv")).unwrap_err();
    assert_eq!(missing.to_string(), "cannot read /nowhere/mill.csv");
}

/// 8 MiB of rows in 30 KiB, and of blank lines, which are no rows at all.
#[test]
fn a_file_that_unpacks_without_end_is_refused_early() {
    for line in ["2026-11-25T08:00:00Z,3\n", "\n"] {
        let rows = line.repeat((8 << 20) / line.len());
        let packed = gzip(&format!("time,watts\n{rows}"));
        assert!(packed.len() < rows.len() / 250);
        let mut reader = RecordingReader::new("mill.csv.gz".into(), std::io::Cursor::new(packed)).unwrap();
        let fault = reader.by_ref().find_map(Result::err).expect("refused").to_string();
        assert!(
            fault.ends_with("it unpacks to more than 250 times its size, which no recording does"),
            "{fault}"
        );
    }
}

#[test]
fn a_recording_may_have_been_stopped_in_the_middle_of_a_line() {
    for end in ["2026-11-25T08:1", "2026-11-25T08:10:00Z,1", "\0\0\0\0"] {
        let (points, oddities) = read(format!("{POWER}{end}")).unwrap();
        assert_eq!(oddities.cut_short, Oddity { count: 1, first_line: 9 }, "{end:?}");
        assert_eq!(points.len(), if end.ends_with(",1") { 6 } else { 5 });
    }
    let pack = r#"[{"n":"mill/power","t":1764057602.5,"v":120}]"#;
    let (points, oddities) = read(format!("{pack}\n{}", &pack[..20])).unwrap();
    assert_eq!((points.len(), oddities.cut_short.count), (1, 1));
    assert!(read(pack).unwrap().1.is_empty(), "a pack that can be read is whole");
    // Compressed, the end is missing at some byte or other.
    let compressed = gzip(POWER);
    for length in 20..compressed.len() {
        match read(&compressed[..length]) {
            Ok((points, oddities)) => {
                assert!(points.len() <= 5);
                assert_eq!(oddities.cut_short.count, 1, "{length}");
            }
            Err(error) => assert!(error.to_string().starts_with("mill.csv:1: "), "{error}"),
        }
    }
}

proptest! {
    #[test]
    fn no_file_brings_the_reader_down(content: Vec<u8>, kind in 0..4_usize) {
        let head: &[u8] = [b"".as_slice(), b"time,watts\n", b"[", &GZIP_HEAD][kind];
        if let Ok((points, _)) = read([head, &content].concat()) {
            for point in points {
                prop_assert!(!matches!(point.value, Value::Number(number) if !number.is_finite()));
            }
        }
    }

    #[test]
    fn every_row_is_a_point_or_counted(rows in prop::collection::vec((0..2_000_000_000_i64, proptest::option::of(-1e6..1e6_f64)), 0..50)) {
        let mut content = String::from("time,watts\n");
        for (secs, watts) in &rows {
            let time = jiff::Timestamp::from_second(*secs).unwrap();
            let watts = watts.map(|watts| watts.to_string()).unwrap_or_default();
            content.push_str(&format!("{time},{watts}\n"));
        }
        let (points, oddities) = read(content).unwrap();
        prop_assert_eq!(points.len() as u64 + oddities.without_value.count, rows.len() as u64);
        let given = rows.iter().filter_map(|(secs, watts)| Some((WallTime(secs * 1_000), Value::Number((*watts)?))));
        prop_assert!(points.into_iter().map(|point| (point.at, point.value)).eq(given));
    }
}

const GZIP_HEAD: [u8; 10] = [0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 3];

/// The real recordings, with their real faults.
#[test]
fn every_open_recording_is_read_to_its_end() {
    let Some(folder) = crate::open_data::part("power") else { return };
    let (mut files, mut points, mut same, mut backwards, mut gaps) = (0, 0, 0, 0, 0);
    let recordings = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "gz"));
    for path in recordings {
        let mut reader = RecordingReader::open(&path).unwrap();
        let count = reader.by_ref().filter(Result::is_ok).count();
        let rows = {
            let mut text = String::new();
            flate2::read::MultiGzDecoder::new(File::open(&path).unwrap()).read_to_string(&mut text).unwrap();
            text.lines().count() - 1
        };
        assert_eq!(count, rows, "{}", path.display());
        let odd = reader.oddities();
        assert_eq!((odd.without_value.count, odd.cut_short.count), (0, 0));
        files += 1;
        points += count;
        same += odd.same_time.count;
        backwards += odd.backwards.count;
        gaps += odd.gaps.count;
    }
    println!("{files} recordings, {points} points, {same} times twice, {backwards} steps back, {gaps} gaps");
    assert!(files > 0 && same > 0 && gaps > 0);
}
