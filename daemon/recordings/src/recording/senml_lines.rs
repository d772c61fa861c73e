//! Lines of SenML JSON, each a pack of its own.

use super::error::LineFault;
use super::point::Point;
use idlegate_engine::intake::{SenmlValue, Stamp, resolve_senml_in_time_order};
use idlegate_plan::event::Value;
use idlegate_plan::text::bounded;

/// Adds the pack's points, oldest first as the guard takes them; `unread` is told of every record that is no reading:
/// sums alone, and bytes.
pub(super) fn pack(
    line: &str,
    number: u64,
    mut unread: impl FnMut(),
    points: &mut impl Extend<Point>,
) -> Result<(), LineFault> {
    let records = resolve_senml_in_time_order(line).map_err(LineFault::Senml)?;
    let mut read = Vec::with_capacity(records.len());
    for record in records {
        let Stamp::Wall(at) = record.stamp() else {
            return Err(LineFault::RelativeTime(bounded(&record.name)));
        };
        let value = match record.value {
            Some(SenmlValue::Number(number)) => Value::Number(number),
            Some(SenmlValue::Text(text)) => Value::Text(text.into()),
            Some(SenmlValue::Bool(bool)) => Value::Text(bool.to_string().into()),
            Some(SenmlValue::Data(_)) | None => {
                unread();
                continue;
            }
        };
        let unit = record.unit.map(Into::into);
        read.push(Point { signal: record.name.into(), at, value, unit, line: number });
    }
    points.extend(read);
    Ok(())
}
