//! Typed access to a table whose form has been checked: what did not pass the check reads as absent.
//!
//! So nothing is reported twice, and one bad value never hides another.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problems::{At, SourceSpan};
use super::{form, words};
use idlegate_guard::time::Span;

#[derive(Clone, Copy, Debug)]
pub(crate) struct Section<'a> {
    pub(crate) table: &'a DeTable<'a>,
    pub(crate) place: SourceSpan,
}

impl<'a> Section<'a> {
    pub(crate) fn get(&self, key: &str) -> Option<At<&'a DeValue<'a>>> {
        self.table
            .iter()
            .find(|(name, _)| name.get_ref() == key)
            .map(|(_, value)| self.at(value, value.get_ref()))
    }

    /// Where the key stands, or else the table.
    pub(crate) fn place_of(&self, key: &str) -> SourceSpan {
        self.get(key).map_or(self.place, |found| found.place)
    }

    /// Where the key itself stands, not its value.
    pub(crate) fn place_of_key(&self, key: &str) -> SourceSpan {
        let found = self.table.iter().find(|(name, _)| name.get_ref() == key);
        found.map_or(self.place, |(name, _)| SourceSpan::of(self.place.file, name.span()))
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    pub(crate) fn text(&self, key: &str) -> Option<At<&'a str>> {
        let found = self.get(key)?;
        Some(At { value: found.value.as_str()?, place: found.place })
    }

    pub(crate) fn owned(&self, key: &str) -> Option<String> {
        self.text(key).map(|text| text.value.to_owned())
    }

    pub(crate) fn payload(&self, key: &str) -> Option<At<String>> {
        let found = self.get(key)?;
        Some(At { value: payload(found.value)?, place: found.place })
    }

    pub(crate) fn number(&self, key: &str) -> Option<f64> {
        form::number(self.get(key)?.value)
    }

    pub(crate) fn range(&self, key: &str) -> Option<(f64, f64)> {
        form::range(self.get(key)?.value)
    }

    pub(crate) fn count(&self, key: &str) -> Option<i64> {
        form::integer(self.get(key)?.value)
    }

    pub(crate) fn switch(&self, key: &str) -> Option<bool> {
        self.get(key)?.value.as_bool()
    }

    pub(crate) fn duration(&self, key: &str) -> Option<Span> {
        words::duration(self.text(key)?.value).ok()
    }

    pub(crate) fn section(&self, key: &str) -> Option<Section<'a>> {
        let found = self.get(key)?;
        Some(Section { table: found.value.as_table()?, place: found.place })
    }

    pub(crate) fn list(&self, key: &str) -> Vec<At<&'a DeValue<'a>>> {
        let array = self.get(key).and_then(|found| found.value.as_array());
        array
            .into_iter()
            .flat_map(|array| array.iter())
            .map(|entry| self.at(entry, entry.get_ref()))
            .collect()
    }

    /// The entries of a table with names of the user's own: the name, where it stands, and its value.
    pub(crate) fn named(&self, key: &str) -> Vec<(At<&'a str>, At<&'a DeValue<'a>>)> {
        let Some(section) = self.section(key) else { return Vec::new() };
        section
            .table
            .iter()
            .map(|(name, value)| {
                let name_place = SourceSpan::of(self.place.file, name.span());
                let name: &'a str = name.get_ref();
                (At { value: name, place: name_place }, self.at(value, value.get_ref()))
            })
            .collect()
    }

    /// Words and the numbers they stand for, in the order of the words.
    pub(crate) fn word_numbers(&self, key: &str) -> Vec<(At<&'a str>, f64)> {
        let entries = self.named(key).into_iter();
        entries.filter_map(|(word, value)| Some((word, form::number(value.value)?))).collect()
    }

    fn at<T>(&self, spanned: &Spanned<DeValue<'_>>, value: T) -> At<T> {
        At { value, place: SourceSpan::of(self.place.file, spanned.span()) }
    }
}

/// The text that a payload of this value would be.
pub(crate) fn payload(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.clone().into_owned()),
        DeValue::Integer(_) => form::integer(value).map(|number| number.to_string()),
        DeValue::Boolean(switch) => Some(switch.to_string()),
        DeValue::Float(_) | DeValue::Datetime(_) | DeValue::Array(_) | DeValue::Table(_) => None,
    }
}
