//! A request as our own programs send it. What others send is read more strictly, in `intake/request`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{self, NAME};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
#[schemars(extend("oneOf" = [{ "required": ["machine"] }, { "required": ["group"] }]))]
pub struct Request {
    /// The token from the answer to a held request: a force-off from a remote input needs it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 32))]
    pub confirm: Option<String>,
    /// With keep-on: for how long
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 86_400))]
    pub for_s: Option<f64>,
    /// Several machines at once, by the name of their group in the rules. Only off, off-once-idle and cancel.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = NAME))]
    pub group: Option<String>,
    /// An id of this event; one answered before is not answered again.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 128))]
    pub id: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = NAME))]
    pub machine: Option<String>,
    /// What whoever locks says of it, to be shown until they unlock.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 200))]
    pub note: Option<String>,
    #[schemars(extend("enum" = words::requests()))]
    pub request: String,
    /// Of serviced: which service was done. Not needed where the machine has only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 32))]
    pub service: Option<String>,
    /// With keep-on: until when (RFC 3339), a day ahead at most
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("format" = "date-time"))]
    pub until: Option<String>,
    /// Who asks, for the record. It gives nobody any right. Of several who lock a machine from one input, each has a
    /// lock of their own.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 128))]
    pub who: Option<String>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn a_request_says_no_more_than_it_has_to() {
        let bare =
            Request { machine: Some("mill".to_owned()), request: "off".to_owned(), ..Request::default() };
        assert_round_trip(&bare, r#"{"machine":"mill","request":"off"}"#);
        let full = Request {
            confirm: Some("ab12-cd34".to_owned()),
            id: Some("7".to_owned()),
            who: Some("Mara".to_owned()),
            ..bare
        };
        let golden = r#"{"confirm":"ab12-cd34","id":"7","machine":"mill","request":"off","who":"Mara"}"#;
        assert_round_trip(&full, golden);
        let evening =
            Request { group: Some("evening".to_owned()), request: "off".to_owned(), ..Request::default() };
        assert_round_trip(&evening, r#"{"group":"evening","request":"off"}"#);
    }
}
