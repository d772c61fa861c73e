//! Writes SenML JSON, one pack per line.

use std::io::{self, Write};

use idlegate_engine::intake::senml::{ABSOLUTE_FROM_SECS, write_pack};
use idlegate_engine::intake::{SenmlFault, SenmlRecord, SenmlValue};
use idlegate_guard::time::WallTime;
use idlegate_plan::event::Value;
use idlegate_plan::text::bounded;

#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    #[error("the recording cannot be written")]
    Io(#[from] io::Error),
    #[error("this cannot be recorded: {0}")]
    Senml(#[from] SenmlFault),
    #[error("{0:?} has no absolute time, so it could not be placed when the recording is read")]
    NoTime(String),
}

/// Each pack goes out as one piece and ends its line, so that a writer that is killed damages at most its last line.
#[derive(Debug)]
pub struct Writer<W> {
    out: W,
}

impl<W: Write> Writer<W> {
    pub fn new(out: W) -> Writer<W> {
        Writer { out }
    }

    /// One reading as a pack of its own.
    pub fn write(
        &mut self,
        signal: &str,
        unit: Option<&str>,
        at: WallTime,
        value: &Value,
    ) -> Result<(), WriteError> {
        let value = match value {
            Value::Number(number) => SenmlValue::Number(*number),
            Value::Text(text) => SenmlValue::Text(text.as_ref().to_owned()),
        };
        let time = at.as_secs_f64();
        let (name, unit) = (signal.to_owned(), unit.map(str::to_owned));
        self.write_pack(&[SenmlRecord { name, unit, value: Some(value), sum: None, time }])
    }

    /// What belongs together: the records of one line.
    pub fn write_pack(&mut self, records: &[SenmlRecord]) -> Result<(), WriteError> {
        if let Some(record) = records.iter().find(|record| record.time < ABSOLUTE_FROM_SECS) {
            return Err(WriteError::NoTime(bounded(&record.name)));
        }
        let mut line = write_pack(records)?;
        line.push('\n');
        Ok(self.out.write_all(line.as_bytes())?)
    }

    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }

    /// What the lines go into, for whoever has to look after it.
    pub fn get_mut(&mut self) -> &mut W {
        &mut self.out
    }

    pub fn into_inner(self) -> W {
        self.out
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::RecordingReader;
    use super::*;

    #[test]
    fn a_line_is_what_a_person_expects() {
        let mut writer = Writer::new(Vec::new());
        let at = WallTime(1_764_057_602_500);
        writer.write("mill/power", Some("W"), at, &Value::Number(118.5)).unwrap();
        writer.write("mill/state", None, at, &Value::Text("cutting \"fine\"\n".into())).unwrap();
        assert_eq!(
            String::from_utf8(writer.into_inner()).unwrap(),
            concat!(
                r#"[{"n":"mill/power","t":1764057602.5,"u":"W","v":118.5}]"#,
                "\n",
                r#"[{"n":"mill/state","t":1764057602.5,"vs":"cutting \"fine\"\n"}]"#,
                "\n"
            )
        );
    }

    #[test]
    fn what_could_not_be_read_back_is_not_written() {
        let mut writer = Writer::new(Vec::new());
        let at = WallTime(1_764_057_602_500);
        assert!(writer.write("the mill", None, at, &Value::Number(1.0)).is_err());
        assert!(writer.write("mill", None, at, &Value::Number(f64::NAN)).is_err());
        assert!(writer.write("mill", None, WallTime(0), &Value::Number(1.0)).is_err());
        assert!(writer.into_inner().is_empty());
    }

    fn value() -> impl Strategy<Value = Value> {
        prop_oneof![
            (-1_000_000_000_i64..1_000_000_000, 0..6_i32)
                .prop_map(|(digits, places)| Value::Number(format!("{digits}e-{places}").parse().unwrap())),
            any::<String>().prop_map(|text| Value::Text(text.into())),
        ]
    }

    proptest! {
        #[test]
        fn a_recording_is_read_back_as_it_was_written(
            readings in prop::collection::vec(("[a-z0-9-]{0,8}/[a-z]{1,8}", 268_435_456_000..4_000_000_000_000_i64, value()), 1..20)
        ) {
            let mut writer = Writer::new(Vec::new());
            let named = |name: &str| format!("m{name}");
            for (name, at, value) in &readings {
                writer.write(&named(name), Some("W"), WallTime(*at), value).unwrap();
            }
            let reader = RecordingReader::new("a".into(), io::Cursor::new(writer.into_inner())).unwrap();
            let back: Vec<_> = reader.map(|point| point.unwrap()).map(|point| (point.signal.to_string(), point.at, point.value)).collect();
            let given: Vec<_> = readings.into_iter().map(|(name, at, value)| (named(&name), WallTime(at), value)).collect();
            prop_assert_eq!(back, given);
        }
    }
}
