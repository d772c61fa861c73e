//! What one of several guards does.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Word;
use super::words::{self, NAME};

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct StandBy {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    #[schemars(regex(pattern = NAME))]
    pub name: String,
    #[schemars(extend("enum" = words::STAND_BY))]
    pub role: Word,
    /// The digest of its rules; all should have the same
    pub rules: String,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn a_role_is_as_it_has_always_been() {
        let said = StandBy {
            at: "2026-11-25T02:31:49.120Z".to_owned(),
            name: "left".to_owned(),
            role: "taking-over".into(),
            rules: "3f".to_owned(),
        };
        let golden = r#"{"at":"2026-11-25T02:31:49.120Z","name":"left","role":"taking-over","rules":"3f"}"#;
        assert_round_trip(&said, golden);
    }
}
