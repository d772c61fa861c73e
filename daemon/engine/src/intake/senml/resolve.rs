//! From a pack to records that stand alone.

use serde_json::{Map, Value as Json};

use super::{RECORDS_MAX, SenmlFault, SenmlRecord, SenmlValue, is_name};
use crate::intake::rejection::parse_strictly;
use idlegate_plan::text::bounded;

/// What a pack has that does not say.
const VERSION: u64 = 10;

/// Base values, carried from record to record.
#[derive(Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: f64,
    sum: f64,
    /// Of the first record; all others must have the same.
    version: Option<u64>,
}

/// Resolves a pack by RFC 8428, section 4.6.
pub fn resolve(text: &str) -> Result<Vec<SenmlRecord>, SenmlFault> {
    let pack = parse_strictly(text).map_err(|rejection| SenmlFault::NotJson(rejection.to_string()))?;
    let Json::Array(records) = pack else { return Err(SenmlFault::NotAPack) };
    if records.len() > RECORDS_MAX {
        return Err(SenmlFault::TooMany);
    }
    let mut base = Base::default();
    let mut resolved = Vec::with_capacity(records.len());
    for (index, record) in records.iter().enumerate() {
        let Json::Object(fields) = record else { return Err(SenmlFault::NotARecord(index)) };
        if let Some(record) = (Fields { fields, index }).resolve(&mut base)? {
            resolved.push(record);
        }
    }
    Ok(resolved)
}

/// The same, oldest first; of two from the same time, in the order of the pack. A meter's message and a recording's
/// line are both read by this, or a replay would show detectors something else than the guard did.
pub fn resolve_in_time_order(text: &str) -> Result<Vec<SenmlRecord>, SenmlFault> {
    let mut records = resolve(text)?;
    // Adding zero makes one of the two zeroes, which are the same time.
    records.sort_by(|one, other| (one.time + 0.0).total_cmp(&(other.time + 0.0)));
    Ok(records)
}

struct Fields<'a> {
    fields: &'a Map<String, Json>,
    index: usize,
}

impl Fields<'_> {
    /// The record, or nothing if it only sets base values.
    fn resolve(&self, base: &mut Base) -> Result<Option<SenmlRecord>, SenmlFault> {
        self.check_labels()?;
        self.check_version(base)?;
        if let Some(name) = self.text("bn")? {
            base.name = name;
        }
        if let Some(unit) = self.text("bu")? {
            base.unit = Some(unit);
        }
        base.time = self.number("bt")?.unwrap_or(base.time);
        base.value = self.number("bv")?.unwrap_or(base.value);
        base.sum = self.number("bs")?.unwrap_or(base.sum);
        let value = self.value(base)?;
        let sum = self.sum_of("s", base.sum)?;
        if value.is_none() && sum.is_none() {
            let only_base = self.fields.keys().all(|label| label.starts_with('b'));
            return if only_base { Ok(None) } else { Err(SenmlFault::NoValue(self.index)) };
        }
        let name = format!("{}{}", base.name, self.text("n")?.unwrap_or_default());
        if !is_name(&name) {
            return Err(SenmlFault::BadName { record: self.index, name: bounded(&name) });
        }
        let unit = self.text("u")?.or_else(|| base.unit.clone());
        let time = self.sum_of("t", base.time)?.unwrap_or(base.time);
        Ok(Some(SenmlRecord { name, unit, value, sum, time }))
    }

    /// A base value alone makes no value: by the letter of section 4.5.4 it would stand for itself plus zero, but a
    /// record without a measurement is more likely to have lost it.
    fn value(&self, base: &Base) -> Result<Option<SenmlValue>, SenmlFault> {
        let number = self.sum_of("v", base.value)?.map(SenmlValue::Number);
        let text = self.text("vs")?.map(SenmlValue::Text);
        let bool = match self.fields.get("vb") {
            None => None,
            Some(Json::Bool(bool)) => Some(SenmlValue::Bool(*bool)),
            Some(_) => return Err(self.wrong("vb", "true or false")),
        };
        let data = self.text("vd")?.map(SenmlValue::Data);
        let mut values = [number, text, bool, data].into_iter().flatten();
        let first = values.next();
        if values.next().is_some() {
            return Err(SenmlFault::TwoValues(self.index));
        }
        Ok(first)
    }

    /// Section 4.4: a label ending in "_" that is not known makes the pack an error; other unknown ones are left
    /// aside.
    fn check_labels(&self) -> Result<(), SenmlFault> {
        match self.fields.keys().find(|label| label.ends_with('_')) {
            Some(label) => Err(SenmlFault::MustUnderstand { record: self.index, label: bounded(label) }),
            None => Ok(()),
        }
    }

    /// Section 4.4: what is newer than RFC 8428 itself is not understood, and a pack has one version only.
    fn check_version(&self, base: &mut Base) -> Result<(), SenmlFault> {
        let version = match self.fields.get("bver") {
            None => base.version.unwrap_or(VERSION),
            Some(version) => match version.as_u64() {
                Some(version) if version > VERSION => return Err(SenmlFault::NewerVersion(version)),
                Some(version) if version > 0 => version,
                Some(_) | None => return Err(self.wrong("bver", "a positive whole number")),
            },
        };
        if *base.version.get_or_insert(version) != version {
            return Err(SenmlFault::MixedVersions(self.index));
        }
        Ok(())
    }

    /// The field plus its base value, if the field is there.
    fn sum_of(&self, label: &'static str, base: f64) -> Result<Option<f64>, SenmlFault> {
        let Some(number) = self.number(label)? else { return Ok(None) };
        let sum = number + base;
        if sum.is_finite() {
            Ok(Some(sum))
        } else {
            Err(SenmlFault::OutOfRange { record: self.index, label })
        }
    }

    fn number(&self, label: &'static str) -> Result<Option<f64>, SenmlFault> {
        match self.fields.get(label) {
            None => Ok(None),
            Some(value) => value.as_f64().map(Some).ok_or_else(|| self.wrong(label, "a number")),
        }
    }

    fn text(&self, label: &'static str) -> Result<Option<String>, SenmlFault> {
        match self.fields.get(label) {
            None => Ok(None),
            Some(Json::String(text)) => Ok(Some(text.clone())),
            Some(_) => Err(self.wrong(label, "a text")),
        }
    }

    fn wrong(&self, label: &'static str, expected: &'static str) -> SenmlFault {
        SenmlFault::WrongKind { record: self.index, label, expected }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8428, section 10: a meter of energy sends watts as its unit and joules in the sum, the power beside it or
    /// not.
    #[test]
    fn sums_are_resolved_beside_values() {
        let pack = r#"[{"bn":"urn:dev:ow:1:","bs":1000,"n":"power","u":"W","v":118,"s":59000}]"#;
        assert_eq!(resolve(pack).unwrap()[0].sum, Some(60_000.0));
        let energy_only = resolve(r#"[{"n":"urn:dev:ow:1:power","u":"W","s":60000}]"#).unwrap();
        assert_eq!((energy_only[0].value.clone(), energy_only[0].sum), (None, Some(60_000.0)));
    }

    #[test]
    fn records_are_put_in_time_order_and_those_of_one_time_stay_as_they_are() {
        let pack = r#"[{"n":"a","t":-1,"v":1},{"n":"a","v":2},{"n":"a","t":-9,"v":3},{"n":"a","t":-0.0,"v":4},
            {"n":"a","t":-9,"v":5},{"n":"a","v":6}]"#;
        let values: Vec<_> =
            resolve_in_time_order(pack).unwrap().into_iter().filter_map(|record| record.value).collect();
        assert_eq!(values, [3.0, 5.0, 1.0, 2.0, 4.0, 6.0].map(SenmlValue::Number));
    }

    #[test]
    fn what_must_be_understood_and_is_not_makes_the_pack_an_error() {
        for (pack, fault) in [
            (r#"[{"n":"a","v":1,"x_":1}]"#, r#""x_" in record 0 must be understood, and is not"#),
            (r#"[{"n":"a","v":1,"vs":"b"}]"#, "record 0 has more than one value"),
            (r#"[{"n":"a"}]"#, "record 0 has neither a value nor a sum"),
            (r#"[{"n":"a","v":"1"}]"#, r#""v" in record 0 is not a number"#),
            (r#"[{"n":"-a","v":1}]"#, r#"record 0 has the name "-a", which SenML does not allow"#),
            (r#"[{"bver":11,"n":"a","v":1}]"#, "version 11 is newer than the 10 of RFC 8428"),
            (r#"{"n":"a","v":1}"#, "a pack is an array of records"),
            (r#"[{"bver":0,"n":"a","v":1}]"#, r#""bver" in record 0 is not a positive whole number"#),
            (
                r#"[{"n":"a","v":1},{"bver":5,"n":"a","v":1}]"#,
                "record 1 has another version than those before",
            ),
            (
                r#"[{"bv":1.7e308,"n":"a","v":1.7e308}]"#,
                r#"record 0: "v" and its base value add up to no finite number"#,
            ),
            (r#"[{"n":"a","v":1,"n":"b"}]"#, r#"the member "n" stands in the payload twice"#),
        ] {
            assert_eq!(resolve(pack).unwrap_err().to_string(), fault);
        }
        assert_eq!(
            resolve(r#"[{"n":"a","v":1,"x":1}]"#).unwrap().len(),
            1,
            "other unknown labels are left aside"
        );
    }
}
