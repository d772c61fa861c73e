//! People's names in old decisions and jobs: blanked after a while. What was decided stays on record; who asked does
//! not.

use rusqlite::{Transaction, params};
use serde_json::Value;

use super::reader::Found;
use super::record::RecordKind;
use super::rows::{self, FOUND_COLUMNS};
use super::sums::{self, RecordColumns};
use idlegate_guard::time::{Span, WallTime};

/// So many records are looked at in one go.
const LOOKED_AT_ONCE: usize = 500;

/// As the journal writes it. Within a string the quotes would have backslashes before them.
const BEGINNING: &str = "\"who\":\"";

/// How far the journal has been gone through, in order of the wall clock.
#[derive(Clone, Copy, Debug)]
pub(super) struct Blanked {
    wall_ms: i64,
    seq: i64,
}

impl Blanked {
    /// After a start it is gone through anew.
    pub(super) const NOTHING: Blanked = Blanked { wall_ms: i64::MIN, seq: 0 };
}

/// One bounded round. True when there is more to do.
pub(super) fn blank(
    transaction: &Transaction<'_>,
    blanked: &mut Blanked,
    kept_for: Span,
    now: WallTime,
) -> rusqlite::Result<bool> {
    let before = now.0.saturating_sub(i64::try_from(kept_for.0).unwrap_or(i64::MAX));
    // The clock was set back, and what is written from now on may stand ahead of what has been gone through.
    if before < blanked.wall_ms {
        *blanked = Blanked { wall_ms: before, seq: 0 };
    }
    let old: Vec<Found> = transaction
        .prepare_cached(&format!(
            "SELECT {FOUND_COLUMNS} FROM record JOIN boot ON boot.id = record.boot \
             WHERE (record.wall_ms, record.seq) > (?1, ?2) AND record.wall_ms <= ?3 \
             ORDER BY record.wall_ms, record.seq LIMIT ?4"
        ))?
        .query_map(params![blanked.wall_ms, blanked.seq, before, LOOKED_AT_ONCE as i64], rows::found)?
        .collect::<Result<_, _>>()?;
    for found in &old {
        // A damaged record stays as it is: a new sum would make it look sound.
        if found.intact
            && matches!(found.kind(), Some(RecordKind::Decision | RecordKind::Job))
            && let Some(body) = without_name(&found.body)
        {
            rewrite(transaction, found, &body)?;
        }
    }
    if let Some(last) = old.last() {
        *blanked = Blanked { wall_ms: last.at.wall.0, seq: last.seq };
    }
    Ok(old.len() == LOOKED_AT_ONCE)
}

/// The same body to the letter, but for the name. Nothing if there is none.
fn without_name(body: &str) -> Option<String> {
    let start = body.find(BEGINNING)?;
    let name = &body[start + BEGINNING.len()..];
    let mut escaped = false;
    let end = name.find(|letter| {
        let ends = letter == '"' && !escaped;
        escaped = letter == '\\' && !escaped;
        ends
    })?;
    let blanked = format!("{}\"who\":null{}", &body[..start], &name[end + 1..]);
    let mut expected: Value = serde_json::from_str(body).ok()?;
    *expected.get_mut("who")? = Value::Null;
    (serde_json::from_str::<Value>(&blanked).ok()? == expected).then_some(blanked)
}

fn rewrite(transaction: &Transaction<'_>, found: &Found, body: &str) -> rusqlite::Result<()> {
    let crc = sums::record(&RecordColumns {
        seq: found.seq,
        boot: found.boot.as_str(),
        mono_ms: i64::try_from(found.at.moment.0).unwrap_or(i64::MAX),
        wall_ms: found.at.wall.0,
        kind: &found.kind,
        machine: found.machine.as_deref().unwrap_or_default(),
        body,
    });
    transaction
        .prepare_cached("UPDATE record SET body = ?2, crc = ?3 WHERE seq = ?1")?
        .execute(params![found.seq, body, crc])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::without_name;

    #[test]
    fn a_name_goes_and_every_other_letter_stays() {
        let name = r#"{"id":"a","value":0.30000000000000004,"who":"Ben \"the saw\" \\","why":"x"}"#;
        let none = r#"{"id":"a","value":0.30000000000000004,"who":null,"why":"x"}"#;
        assert_eq!(without_name(name).as_deref(), Some(none));
        assert_eq!(without_name(none), None);
        let quoted = r#"{"fault":"this is \"who\":\"Ben\"","who":null}"#;
        assert_eq!(without_name(quoted), None, "what a sender wrote is not taken for the member");
        let elsewhere = r#"{"more":{"who":"Ben"}}"#;
        assert_eq!(without_name(elsewhere), None);
        assert_eq!(without_name(r#"{"who":"Ben"#), None, "no JSON");
    }
}
