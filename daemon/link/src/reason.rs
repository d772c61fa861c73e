//! The client library's errors and the broker's codes, in words for the person who must do something.

use std::io::ErrorKind;

use rumqttc::TlsError;
use rumqttc::v5::mqttbytes::Error as MqttError;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode, DisconnectReasonCode, PubAckReason, SubscribeReasonCode,
};
use rumqttc::v5::{ConnectionError, StateError};
use tokio_rustls::rustls;

const NOT_MQTT_5: &str = "the broker does not speak MQTT 5, which Idlegate needs for the expiry of orders";

const WANTS_TLS: &str =
    "the broker wants an encrypted connection: set [broker.tls] and its port in shop.toml";

/// Why a connection or an attempt ended. `established`: the broker had accepted it.
pub(super) fn of_end(error: &ConnectionError, established: bool) -> String {
    match error {
        ConnectionError::MqttState(state) => of_state(state, established),
        ConnectionError::Timeout(_) => {
            format!("the broker does not answer; if its address is right, perhaps {NOT_MQTT_5}")
        }
        ConnectionError::Tls(TlsError::Io(err)) => {
            format!("the encrypted connection could not be made: {err}")
        }
        ConnectionError::Tls(err) => format!("the encrypted connection could not be made: {err}"),
        ConnectionError::Io(err) => of_io(err),
        ConnectionError::ConnectionRefused(code) => of_refusal(*code),
        ConnectionError::NotConnAck(_) => "whatever answered is not an MQTT broker".into(),
        ConnectionError::RequestsDone => "Idlegate closed the connection".into(),
    }
}

fn of_io(err: &std::io::Error) -> String {
    match err.kind() {
        ErrorKind::ConnectionRefused => "nothing is listening at the broker's address".into(),
        ErrorKind::TimedOut => "the broker's address did not answer in time".into(),
        _ => format!("the broker cannot be reached: {err}"),
    }
}

fn of_state(error: &StateError, established: bool) -> String {
    match error {
        StateError::ServerDisconnect { reason_code: DisconnectReasonCode::SessionTakenOver, .. } => {
            "another client connected with our client id".into()
        }
        StateError::ServerDisconnect { reason_code, reason_string } => {
            let words =
                reason_string.as_deref().map(|text| format!(" ({})", bounded(text))).unwrap_or_default();
            format!("the broker ended the connection: {reason_code:?}{words}")
        }
        StateError::ConnectionAborted if established => "the broker closed the connection".into(),
        StateError::ConnectionAborted => {
            format!("the broker closed the connection at once; perhaps {WANTS_TLS}, or {NOT_MQTT_5}")
        }
        // In TLS 1.3 a broker looks at our certificate only after the handshake, and says so with an alert.
        StateError::Io(err) | StateError::Deserialization(MqttError::Io(err)) if is_alert(err) => {
            format!(
                "the encrypted connection could not be made: the broker wants a certificate from us, or does not accept ours ({err})"
            )
        }
        // An alert of TLS, where the answer should be: 21, 3, its version. Read as MQTT it promises more than it has.
        StateError::Deserialization(MqttError::BoundaryCrossed(256..1_280)) if !established => {
            format!("what answers there is TLS, so {WANTS_TLS}")
        }
        // An answer of version 3.1.1 is shorter and cannot be read as one of version 5.
        StateError::Deserialization(_) if !established => NOT_MQTT_5.into(),
        StateError::AwaitPingResp => "the broker stopped answering".into(),
        StateError::Io(err) => format!("the connection broke: {err}"),
        other => format!("the connection broke: {other}"),
    }
}

fn is_alert(err: &std::io::Error) -> bool {
    let inner = err.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
    matches!(inner, Some(rustls::Error::AlertReceived(_)))
}

fn of_refusal(code: ConnectReturnCode) -> String {
    use ConnectReturnCode as Code;
    match code {
        Code::RefusedProtocolVersion | Code::UnsupportedProtocolVersion => NOT_MQTT_5.into(),
        Code::BadUserNamePassword => "the broker does not accept the user name or password".into(),
        Code::NotAuthorized => {
            "the broker does not allow us to connect; check user name, password and its access list".into()
        }
        Code::ClientIdentifierNotValid | Code::BadClientId => {
            "the broker does not accept the client id".into()
        }
        other => format!("the broker refused the connection: {other:?}"),
    }
}

pub(super) fn of_fight(client_id: &str, why: &str) -> String {
    format!(
        "{why}, again and again right after we had connected; is another program using the client id \"{client_id}\"?"
    )
}

/// Nothing, when the subscription was granted.
pub(super) fn of_subscription(code: SubscribeReasonCode) -> Option<String> {
    use SubscribeReasonCode as Code;
    let words = match code {
        Code::Success(_) => return None,
        Code::NotAuthorized => "the broker's access list does not allow it",
        Code::TopicFilterInvalid => "the broker says that the topic filter is not valid",
        Code::QuotaExceeded => "the broker allows no more subscriptions",
        Code::WildcardSubscriptionsNotSupported => "the broker allows no wildcards",
        Code::SubscriptionIdNotSupported => "the broker does not support numbered subscriptions",
        other => return Some(format!("the broker refused it: {other:?}")),
    };
    Some(words.into())
}

/// Nothing, when the message was taken and somebody was there to get it.
pub(super) fn of_publish(code: PubAckReason) -> Option<String> {
    let words = match code {
        PubAckReason::Success | PubAckReason::NoMatchingSubscribers => return None,
        PubAckReason::NotAuthorized => "the broker's access list does not allow it",
        PubAckReason::QuotaExceeded => "the broker says that its quota is used up",
        other => return Some(format!("the broker refused it: {other:?}")),
    };
    Some(words.into())
}

/// Text of the broker's, for one line of a log.
fn bounded(text: &str) -> String {
    text.chars().take(120).map(|character| if character.is_control() { ' ' } else { character }).collect()
}

#[cfg(test)]
mod tests {
    use bytes::BytesMut;
    use rumqttc::v5::mqttbytes::v5::Packet;

    use super::*;

    fn of_answer(answer: &[u8]) -> String {
        let error = Packet::read(&mut BytesMut::from(answer), None).unwrap_err();
        of_end(&ConnectionError::MqttState(StateError::Deserialization(error)), false)
    }

    #[test]
    fn a_broker_that_wants_tls_is_not_said_to_be_old() {
        // RFC 8446, section 5.1: an alert is a record of type 21, here of the versions that are in use. And one of RFC
        // 2246.
        for version in [1, 3] {
            let told = of_answer(&[21, 3, version, 0, 2, 2, 70]);
            assert!(told.contains("[broker.tls]") && !told.contains("MQTT 5"), "{told}");
        }
        // MQTT 3.1.1, section 3.2: the connection is accepted, or the version refused.
        for code in [0, 1] {
            let told = of_answer(&[32, 2, 0, code]);
            assert!(told.contains("does not speak MQTT 5"), "{told}");
        }
    }
}
