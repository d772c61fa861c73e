//! The examples of RFC 8428, sections 5.1.1 to 5.1.7, number by number.

use super::*;

const DEVICE: &str = "urn:dev:ow:10e2073a01080063";

fn number(name: &str, unit: &str, time: f64, value: f64) -> SenmlRecord {
    let value = Some(SenmlValue::Number(value));
    SenmlRecord { name: name.to_owned(), unit: Some(unit.to_owned()), value, sum: None, time }
}

#[test]
fn section_5_1_1_a_single_data_point() {
    let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
    assert_eq!(resolve(pack), Ok(vec![number(DEVICE, "Cel", 0.0, 23.1)]));
}

#[test]
fn section_5_1_2_multiple_data_points() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}]"#;
    let of = |name: &str| format!("{DEVICE}:{name}");
    assert_eq!(
        resolve(pack),
        Ok(vec![number(&of("voltage"), "V", 0.0, 120.1), number(&of("current"), "A", 0.0, 1.2)])
    );
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"#;
    let records = resolve(pack).unwrap();
    assert_eq!(records[0], number("urn:dev:ow:10e2073a0108006:voltage", "V", 1_276_020_076.001, 120.1));
    let of = |(millis, value): (i64, f64)| {
        (Stamp::Wall(WallTime(millis)), Some("A"), Some(SenmlValue::Number(value)))
    };
    let currents: Vec<_> = records[1..]
        .iter()
        .map(|record| (record.stamp(), record.unit.as_deref(), record.value.clone()))
        .collect();
    // Tue Jun 8 18:01:16.001 UTC 2010, and each second for the five before.
    let expected = [
        (1_276_020_071_001, 1.2),
        (1_276_020_072_001, 1.3),
        (1_276_020_073_001, 1.4),
        (1_276_020_074_001, 1.5),
        (1_276_020_075_001, 1.6),
        (1_276_020_076_001, 1.7),
    ];
    assert_eq!(currents, expected.map(of));
}

#[test]
fn section_5_1_3_multiple_measurements_resolve_to_section_5_1_4() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
        {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},
        {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}]"#;
    let resolved = [
        ("%RH", 1.320067464e+09, 20.0),
        ("lon", 1.320067464e+09, 24.30621),
        ("lat", 1.320067464e+09, 60.07965),
        ("%RH", 1.320067524e+09, 20.3),
        ("lon", 1.320067524e+09, 24.30622),
        ("lat", 1.320067524e+09, 60.07965),
        ("%RH", 1.320067584e+09, 20.7),
        ("lon", 1.320067584e+09, 24.30623),
        ("lat", 1.320067584e+09, 60.07966),
        ("%EL", 1.320067614e+09, 98.0),
        ("%RH", 1.320067644e+09, 21.2),
        ("lon", 1.320067644e+09, 24.30628),
        ("lat", 1.320067644e+09, 60.07967),
    ];
    let resolved: Vec<_> = resolved.map(|(unit, time, value)| number(DEVICE, unit, time, value)).into();
    assert_eq!(resolve(pack), Ok(resolved.clone()));
    // A resolved pack resolves to itself.
    assert_eq!(resolve(&write_pack(&resolved).unwrap()), Ok(resolved));
}

#[test]
fn section_5_1_5_multiple_data_types() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"}, {"n":"open","vb":false}, {"n":"nfc-reader","vd":"aGkgCg"}]"#;
    let values: Vec<_> = resolve(pack).unwrap().into_iter().filter_map(|record| record.value).collect();
    assert_eq!(
        values,
        [
            SenmlValue::Number(23.1),
            SenmlValue::Text("Machine Room".to_owned()),
            SenmlValue::Bool(false),
            SenmlValue::Data("aGkgCg".to_owned()),
        ]
    );
}

/// The last record takes its base name from the third and its base time from the first.
#[test]
fn section_5_1_6_a_collection_of_resources() {
    let pack = r#"[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},
        {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3}, {"n":"humidity","u":"%RH","v":67}]"#;
    let time = 1.320078429e+09;
    assert_eq!(
        resolve(pack),
        Ok(vec![
            number("2001:db8::2/temperature", "Cel", time, 25.2),
            number("2001:db8::2/humidity", "%RH", time, 30.0),
            number("2001:db8::1/temperature", "Cel", time, 12.3),
            number("2001:db8::1/humidity", "%RH", time, 67.0),
        ])
    );
}

#[test]
fn section_5_1_7_setting_an_actuator() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:"}, {"n":"temp","u":"Cel","v":23.1},
        {"n":"heat","u":"/","v":1}, {"n":"fan","u":"/","v":0}]"#;
    let of = |name: &str| format!("{DEVICE}:{name}");
    assert_eq!(
        resolve(pack),
        Ok(vec![
            number(&of("temp"), "Cel", 0.0, 23.1),
            number(&of("heat"), "/", 0.0, 1.0),
            number(&of("fan"), "/", 0.0, 0.0),
        ])
    );
    let pack = r#"[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5}, {"n":"2001:db8::4","v":0.5},
        {"n":"2001:db8::3","t":0.1,"v":0}, {"n":"2001:db8::4","t":0.1,"v":0}]"#;
    let stamps: Vec<_> = resolve(pack).unwrap().iter().map(SenmlRecord::stamp).collect();
    let at = |millis| Stamp::Wall(WallTime(millis));
    let (first, second) = (at(1_320_078_429_000), at(1_320_078_429_100));
    assert_eq!(stamps, [first, first, second, second]);
}
