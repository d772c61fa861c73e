//! From records to a pack on one line.

use serde_json::{Map, Number, Value as Json};

use super::{RECORDS_MAX, SenmlFault, SenmlRecord, SenmlValue, is_name};
use idlegate_plan::text::bounded;

/// A pack of resolved records, without a line break in it. What [`super::resolve`] would refuse is not written.
pub fn write_pack(records: &[SenmlRecord]) -> Result<String, SenmlFault> {
    if records.len() > RECORDS_MAX {
        return Err(SenmlFault::TooMany);
    }
    let objects = records.iter().enumerate().map(|(index, record)| object(index, record));
    Ok(Json::Array(objects.collect::<Result<_, _>>()?).to_string())
}

fn object(index: usize, record: &SenmlRecord) -> Result<Json, SenmlFault> {
    if !is_name(&record.name) {
        return Err(SenmlFault::BadName { record: index, name: bounded(&record.name) });
    }
    if record.value.is_none() && record.sum.is_none() {
        return Err(SenmlFault::NoValue(index));
    }
    let number = |label: &'static str, number: f64| {
        let finite = Number::from_f64(number).map(Json::Number);
        finite.ok_or(SenmlFault::OutOfRange { record: index, label })
    };
    let mut fields = Map::new();
    fields.insert("n".into(), record.name.clone().into());
    if let Some(unit) = &record.unit {
        fields.insert("u".into(), unit.clone().into());
    }
    // A time of zero is what a missing one means.
    if record.time != 0.0 {
        fields.insert("t".into(), number("t", record.time)?);
    }
    match &record.value {
        None => None,
        Some(SenmlValue::Number(value)) => fields.insert("v".into(), number("v", *value)?),
        Some(SenmlValue::Text(text)) => fields.insert("vs".into(), text.clone().into()),
        Some(SenmlValue::Bool(bool)) => fields.insert("vb".into(), (*bool).into()),
        Some(SenmlValue::Data(data)) => fields.insert("vd".into(), data.clone().into()),
    };
    if let Some(sum) = record.sum {
        fields.insert("s".into(), number("s", sum)?);
    }
    Ok(Json::Object(fields))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::resolve;
    use super::*;

    /// What meters send: decimals of up to fifteen digits. (Longer ones may differ in the last bit once read back.)
    fn decimal() -> impl Strategy<Value = f64> {
        (-999_999_999_999_999_i64..=999_999_999_999_999, 0..=9_i32)
            .prop_map(|(digits, places)| format!("{digits}e-{places}").parse::<f64>().unwrap())
    }

    fn value() -> impl Strategy<Value = SenmlValue> {
        prop_oneof![
            decimal().prop_map(SenmlValue::Number),
            any::<String>().prop_map(SenmlValue::Text),
            any::<bool>().prop_map(SenmlValue::Bool),
            "[A-Za-z0-9_-]{0,12}".prop_map(SenmlValue::Data),
        ]
    }

    fn record() -> impl Strategy<Value = SenmlRecord> {
        let millis = prop_oneof![-1_000_000_i64..=0, 268_435_456_000_i64..=4_000_000_000_000];
        (
            "[A-Za-z0-9][-A-Za-z0-9:./_]{0,20}",
            proptest::option::of("[A-Za-z%/]{1,5}"),
            value(),
            proptest::option::of(decimal()),
            millis,
        )
            .prop_map(|(name, unit, value, sum, millis)| {
                let time = format!("{millis}e-3").parse().unwrap();
                SenmlRecord { name, unit, value: Some(value), sum, time }
            })
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back_the_same(records in prop::collection::vec(record(), 0..8)) {
            let line = write_pack(&records).unwrap();
            prop_assert!(!line.contains('\n'));
            prop_assert_eq!(resolve(&line).unwrap(), records);
        }

        #[test]
        fn no_text_brings_the_reader_down(text in r#"[\[\]{}",:a-z0-9_.+\-e ]{0,80}"#) {
            let _ = resolve(&text);
        }
    }

    #[test]
    fn what_no_reader_may_accept_is_not_written() {
        let good = SenmlRecord { name: "a".into(), unit: None, value: None, sum: Some(1.0), time: 0.0 };
        for (bad, fault) in [
            (
                SenmlRecord { name: "_a".into(), ..good.clone() },
                r#"record 0 has the name "_a", which SenML does not allow"#,
            ),
            (SenmlRecord { sum: None, ..good.clone() }, "record 0 has neither a value nor a sum"),
            (
                SenmlRecord { sum: Some(f64::NAN), ..good.clone() },
                r#"record 0: "s" and its base value add up to no finite number"#,
            ),
        ] {
            assert_eq!(write_pack(&[bad]).unwrap_err().to_string(), fault);
        }
        assert_eq!(write_pack(&[good]).unwrap(), r#"[{"n":"a","s":1.0}]"#);
    }
}
