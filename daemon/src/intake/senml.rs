//! SenML JSON (RFC 8428): a pack of records with base values, resolved into records that stand alone.

use serde_json::{Map, Value as Json};

use super::rejection::{bounded, parse_strictly};

/// One resolved record.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    pub name: String,
    pub unit: Option<String>,
    pub value: Option<SenmlValue>,
    /// The integrated value, for example joules beside watts.
    pub sum: Option<f64>,
    /// Seconds: since 1970 where at least 2^28, else relative to now.
    pub time: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub enum SenmlValue {
    Number(f64),
    Text(String),
    Bool(bool),
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SenmlFault {
    #[error("{0}")]
    NotJson(String),
    #[error("a pack is an array of records")]
    NotAPack,
    #[error("record {0} is not an object")]
    NotARecord(usize),
    #[error("{label:?} in record {record} is not {expected}")]
    WrongKind { record: usize, label: &'static str, expected: &'static str },
    #[error("{label:?} in record {record} must be understood, and is not")]
    MustUnderstand { record: usize, label: String },
    #[error("record {0} has more than one value")]
    TwoValues(usize),
    #[error("record {0} has neither a value nor a sum")]
    NoValue(usize),
    #[error("record {record} has the name {name:?}, which SenML does not allow")]
    BadName { record: usize, name: String },
    #[error("version {0} is newer than the 10 of RFC 8428")]
    NewerVersion(u64),
    #[error("a pack of more than {RECORDS_MAX} records")]
    TooMany,
}

/// A meter sends a handful, a recorder one pack per line.
const RECORDS_MAX: usize = 1_024;

/// Base values, carried from record to record.
#[derive(Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: Option<f64>,
    sum: f64,
}

/// Resolves a pack by RFC 8428, section 4.6.
pub fn resolve(text: &str) -> Result<Vec<Record>, SenmlFault> {
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

struct Fields<'a> {
    fields: &'a Map<String, Json>,
    index: usize,
}

impl Fields<'_> {
    /// The record, or nothing if it only sets base values.
    fn resolve(&self, base: &mut Base) -> Result<Option<Record>, SenmlFault> {
        self.check_labels()?;
        if let Some(name) = self.text("bn")? {
            base.name = name;
        }
        if let Some(unit) = self.text("bu")? {
            base.unit = Some(unit);
        }
        base.time = self.number("bt")?.unwrap_or(base.time);
        base.value = self.number("bv")?.or(base.value);
        base.sum = self.number("bs")?.unwrap_or(base.sum);
        let value = self.value(base)?;
        let sum = self.number("s")?.map(|sum| sum + base.sum);
        if value.is_none() && sum.is_none() {
            let only_base = self.fields.keys().all(|label| label.starts_with('b'));
            return if only_base { Ok(None) } else { Err(SenmlFault::NoValue(self.index)) };
        }
        let name = format!("{}{}", base.name, self.text("n")?.unwrap_or_default());
        self.check_name(&name)?;
        let unit = self.text("u")?.or_else(|| base.unit.clone());
        let time = base.time + self.number("t")?.unwrap_or(0.0);
        Ok(Some(Record { name, unit, value, sum, time }))
    }

    fn value(&self, base: &Base) -> Result<Option<SenmlValue>, SenmlFault> {
        let number = self.number("v")?.map(|value| SenmlValue::Number(value + base.value.unwrap_or(0.0)));
        let text = self.text("vs")?.map(SenmlValue::Text);
        let bool = match self.fields.get("vb") {
            None => None,
            Some(Json::Bool(bool)) => Some(SenmlValue::Bool(*bool)),
            Some(_) => return Err(self.wrong("vb", "true or false")),
        };
        let data = self.text("vd")?.map(SenmlValue::Text);
        let mut values = [number, text, bool, data].into_iter().flatten();
        let first = values.next();
        if values.next().is_some() {
            return Err(SenmlFault::TwoValues(self.index));
        }
        Ok(first)
    }

    /// Section 4.4: a label ending in "_" that is not known makes the pack an error; other unknown ones are left
    /// aside. Section 4.4 also on versions: what is newer is not understood.
    fn check_labels(&self) -> Result<(), SenmlFault> {
        if let Some(label) = self.fields.keys().find(|label| label.ends_with('_')) {
            return Err(SenmlFault::MustUnderstand { record: self.index, label: bounded(label) });
        }
        match self.fields.get("bver") {
            None => Ok(()),
            Some(version) => match version.as_u64() {
                Some(version) if version > 10 => Err(SenmlFault::NewerVersion(version)),
                Some(_) => Ok(()),
                None => Err(self.wrong("bver", "a positive whole number")),
            },
        }
    }

    /// Section 4.5.1: letters, digits and - : . / _ only, beginning with a letter or digit.
    fn check_name(&self, name: &str) -> Result<(), SenmlFault> {
        let allowed = |byte: u8| byte.is_ascii_alphanumeric() || b"-:./_".contains(&byte);
        let begins = name.bytes().next().is_some_and(|byte| byte.is_ascii_alphanumeric());
        if begins && name.bytes().all(allowed) {
            return Ok(());
        }
        Err(SenmlFault::BadName { record: self.index, name: bounded(name) })
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

    fn numbers(text: &str) -> Vec<(String, f64, f64)> {
        let records = resolve(text).unwrap();
        let number = |record: Record| match record.value {
            Some(SenmlValue::Number(number)) => (record.name, number, record.time),
            other => panic!("{other:?}"),
        };
        records.into_iter().map(number).collect()
    }

    /// RFC 8428, sections 5.1.1 and 5.1.2: a single data point, and two that share a base name.
    #[test]
    fn single_and_multiple_data_points() {
        let single = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
        assert_eq!(numbers(single), [("urn:dev:ow:10e2073a01080063".to_owned(), 23.1, 0.0)]);
        let multiple = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]"#;
        let resolved = numbers(multiple);
        assert_eq!(resolved[1].0, "urn:dev:ow:10e2073a01080063:current");
    }

    /// RFC 8428, sections 5.1.3 and 5.1.4: the pack and what it resolves to.
    #[test]
    fn base_values_resolve_as_in_the_standard() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},
            {"n":"current","t":-4,"v":1.3},
            {"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},
            {"n":"current","t":-1,"v":1.6},
            {"n":"current","v":1.7}]"#;
        let records = resolve(pack).unwrap();
        assert_eq!(records.len(), 7);
        assert_eq!(records[0].unit.as_deref(), Some("V"));
        assert_eq!(records[1].unit.as_deref(), Some("A"));
        assert_eq!(records[1].name, "urn:dev:ow:10e2073a0108006:current");
        assert!((records[1].time - 1.276_020_071_001e9).abs() < 1e-3);
        assert!((records[6].time - 1.276_020_076_001e9).abs() < 1e-3);
    }

    /// RFC 8428, section 5.1.5: values of several kinds in one pack.
    #[test]
    fn values_may_be_numbers_texts_truths_and_data() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},
            {"n":"nfc-reader","vd":"aGkgCg"}]"#;
        let values: Vec<_> = resolve(pack).unwrap().into_iter().map(|record| record.value.unwrap()).collect();
        assert_eq!(values[1], SenmlValue::Text("Machine Room".to_owned()));
        assert_eq!(values[2], SenmlValue::Bool(false));
        assert_eq!(values[3], SenmlValue::Text("aGkgCg".to_owned()));
    }

    /// RFC 8428, section 10 names watts with joules in the sum.
    #[test]
    fn sums_are_resolved_beside_values() {
        let pack = r#"[{"bn":"urn:dev:ow:1:","bs":1000,"n":"power","u":"W","v":118,"s":59000}]"#;
        assert_eq!(resolve(pack).unwrap()[0].sum, Some(60_000.0));
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
