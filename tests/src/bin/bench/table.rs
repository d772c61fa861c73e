//! Figures in rows, for people and for machines.

use std::fmt;
use std::time::Duration;

use serde_json::{Value as Json, json};

#[derive(Debug)]
pub(crate) struct Table {
    title: String,
    columns: Vec<&'static str>,
    rows: Vec<(String, Vec<f64>)>,
}

impl Table {
    pub(crate) fn new(title: impl Into<String>, columns: &[&'static str]) -> Table {
        Table { title: title.into(), columns: columns.to_vec(), rows: Vec::new() }
    }

    pub(crate) fn row(&mut self, name: impl Into<String>, figures: &[f64]) {
        self.rows.push((name.into(), figures.to_vec()));
    }

    /// One row by another, figure by figure.
    pub(crate) fn ratio(&mut self, name: impl Into<String>, of: usize, by: usize) {
        let pairs = self.rows[of].1.iter().zip(&self.rows[by].1);
        let ratios = pairs.map(|(of, by)| of / by).collect();
        self.rows.push((name.into(), ratios));
    }

    pub(crate) fn rows(&self) -> usize {
        self.rows.len()
    }

    pub(crate) fn to_json(&self) -> Json {
        let rows = self.rows.iter().map(|(name, figures)| {
            let figures: serde_json::Map<String, Json> = self
                .columns
                .iter()
                .zip(figures)
                .map(|(column, figure)| ((*column).to_owned(), json!(figure)))
                .collect();
            json!({ "name": name, "figures": figures })
        });
        json!({ "title": self.title, "rows": rows.collect::<Vec<_>>() })
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\n{:<44}", self.title)?;
        for column in &self.columns {
            write!(f, " {column:>14}")?;
        }
        for (name, figures) in &self.rows {
            write!(f, "\n  {name:<42}")?;
            for figure in figures {
                match figure.abs() {
                    100.0.. => write!(f, " {figure:>14.0}")?,
                    _ => write!(f, " {figure:>14.2}")?,
                }
            }
        }
        Ok(())
    }
}

/// p50, p99 and p99.9 in microseconds, by nearest rank: the smallest that at least this share of all does not exceed.
pub(crate) fn quantiles(samples: &mut [Duration]) -> [f64; 3] {
    samples.sort_unstable();
    [500, 990, 999].map(|permille| {
        let rank = (samples.len() * permille).div_ceil(1_000).max(1);
        samples.get(rank - 1).map_or(f64::NAN, |sample| sample.as_secs_f64() * 1e6)
    })
}
