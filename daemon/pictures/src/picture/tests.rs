use super::*;

fn at(second: i64) -> WallTime {
    WallTime(1_764_000_000_000 + second * 1_000)
}

fn day() -> Picture {
    let draw = |second: i64| match second {
        7_000 => 2_900.0,
        20_000..24_000 => 210.0,
        _ => 4.0,
    };
    Picture {
        title: "Mill <1>".to_owned(),
        caption: "A day & a spike".to_owned(),
        from: at(0),
        until: at(86_400),
        zone: TimeZone::UTC,
        quantity: "draw, W".to_owned(),
        curve: (0..86_400)
            .filter(|second| !(50_000..60_000).contains(second))
            .map(|s| (at(s), draw(s)))
            .collect(),
        gap_millis: 60_000,
        levels: vec![Level { value: 12.0, label: "busy above 12 W".to_owned() }],
        strips: vec![Strip {
            label: "verdict".to_owned(),
            stretches: vec![
                Stretch { from: at(0), until: at(20_000), shade: Shade::Idle, note: String::new() },
                Stretch { from: at(20_000), until: at(24_180), shade: Shade::Busy, note: "210 W".to_owned() },
                Stretch { from: at(50_000), until: at(60_000), shade: Shade::Unknown, note: String::new() },
            ],
        }],
    }
}

/// A spike of one second in a day is narrower than any column.
#[test]
fn no_spike_is_lost() {
    let columns = day().columns(100);
    let highest = columns.iter().flatten().map(|column| column.high).fold(0.0, f64::max);
    assert!((highest - 2_900.0).abs() < f64::EPSILON);
}

#[test]
fn a_gap_is_drawn_as_a_gap() {
    assert_eq!(day().columns(1_000).len(), 2);
}

/// However long the recording, the picture stays small enough to send.
#[test]
fn a_day_of_readings_is_a_small_file_with_text_escaped() {
    let svg = day().to_svg();
    assert!(svg.len() < 100_000, "{} bytes", svg.len());
    assert!(svg.contains("Mill &lt;1&gt;") && svg.contains("A day &amp; a spike"));
    assert!(svg.contains("prefers-color-scheme:dark") && !svg.contains("http://example"));
}

/// Whoever shrinks the wide one to a phone gets letters of four units and a half.
#[test]
fn a_narrow_drawing_has_letters_as_large_as_the_wide_one_and_none_beyond_its_edge() {
    let mut picture = day();
    picture.title = "The five-axis machining centre at the window, Tue 2026-11-24".to_owned();
    let (wide, narrow) = picture.to_svgs(7);
    let defined_once = |svg: &str, id: &str| {
        svg.matches(&format!("id=\"{id}\"")).count() == 1 && svg.contains(&format!("fill:url(#{id})"))
    };
    assert!(defined_once(&wide, "hatch-7") && defined_once(&narrow, "slim-hatch-7"));
    assert!(narrow.contains("viewBox=\"0 0 336 "), "one unit is one of the phone's");
    assert!(narrow.contains("font:13px") && narrow.len() < 60_000);
    let texts = narrow.split("<text").skip(1).map(|text| {
        let attribute =
            |name: &str| text.split(&format!("{name}=\"")).nth(1).unwrap().split('"').next().unwrap();
        let words = text.split_once('>').unwrap().1.split('<').next().unwrap().trim().to_owned();
        let anchor = if text.contains("text-anchor") { attribute("text-anchor") } else { "start" };
        (attribute("x").parse::<f64>().unwrap(), anchor.to_owned(), attribute("class").to_owned(), words)
    });
    for (x, anchor, class, words) in texts {
        // In general no letter is wider than this, of a font of that size.
        let letter = if class == "title" { 9.2 } else { 7.0 };
        let width = letter * words.chars().map(|_| 1.0).sum::<f64>();
        let (from, until) = match anchor.as_str() {
            "end" => (x - width, x),
            "middle" => (x - width / 2.0, x + width / 2.0),
            _ => (x, x + width),
        };
        assert!(from >= -1.0 && until <= 337.0 + 20.0, "{words:?} from {from} to {until}");
    }
}

#[test]
fn the_scale_shows_standby_and_heater_in_their_order() {
    let scale = axis::Scale::up_to(2_900.0);
    let places: Vec<_> = [0.0, 4.0, 40.0, 400.0, 2_900.0].map(|watts| scale.place(watts)).to_vec();
    assert!(places.windows(2).all(|pair| pair[1] - pair[0] > 0.05), "{places:?}");
    assert_eq!(scale.ticks(), [0.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1_000.0, 3_000.0]);
}

/// People look for what happened at eleven by the clock on their wall.
#[test]
fn times_are_those_of_the_zone_even_at_a_half_hour() {
    // From 16:00 UTC.
    let evening = WallTime(1_764_000_000_000);
    let zone = TimeZone::get("Asia/Kolkata").unwrap();
    let picture = Picture { from: evening, until: WallTime(evening.0 + 21_600_000), zone, ..day() };
    let text = picture.to_text(80, Colour::Plain);
    assert!(text.starts_with("Mill <1>, draw, W on 2025-11-24 IST\n"), "{text}");
    let hours = text.lines().rev().nth(1).unwrap().split_whitespace().collect::<Vec<_>>();
    assert_eq!(hours, ["22:00", "23:00", "00:00", "01:00", "02:00", "03:00"]);
}

#[test]
fn the_text_is_as_wide_as_the_terminal_and_plain_when_asked() {
    let plain = day().to_text(80, Colour::Plain);
    assert!(plain.lines().all(|line| line.chars().count() <= 80), "{plain}");
    assert!(!plain.contains('\u{1b}') && plain.contains('█') && plain.contains("06:00"), "{plain}");
    assert_eq!(plain.lines().last().unwrap().trim(), "█ busy  ▁ idle  ░ unknown");
    let narrow = day().to_text(40, Colour::Plain);
    assert!(narrow.lines().all(|line| line.chars().count() <= 40), "{narrow}");
    // The colour of work, and no code of red.
    let coloured = day().to_text(80, Colour::Ansi);
    let working = ColourRole::Working.tint().terminal.unwrap();
    assert!(coloured.contains(&format!("\u{1b}[38;5;{working}m█")) && !coloured.contains("\u{1b}[31m"));
}
