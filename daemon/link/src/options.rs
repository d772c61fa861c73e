//! Our settings in the client library's words.

use std::time::Duration;

use rumqttc::v5::MqttOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{LastWill, LastWillProperties};
use rumqttc::{NetworkOptions, TlsConfiguration, Transport};

use super::LinkConfig;
use super::outgoing::{JSON, UTF_8};
use super::tls::{self, BadTls};

/// The broker keeps larger packets from us. Without a limit of our own, one large stored message would be an
/// endless loop of connecting and failing.
pub(super) const INCOMING_PACKET_BYTES_MAX: u32 = 64 * 1024;
/// As many of our messages may be without the broker's confirmation. The client library's own limit is double
/// that: it hands out packet ids in turn up to its limit and comes to a standstill when it meets one still in use.
pub(super) const UNCONFIRMED_MAX: u16 = 10;
/// The client library refuses less.
const KEEP_ALIVE_SECS_MIN: u64 = 5;
const KEEP_ALIVE_SECS_MAX: u64 = 600;
const CONNECT_SECS_MAX: u64 = 5;

pub(super) fn keep_alive(config: &LinkConfig) -> Duration {
    let secs = config.broker.keep_alive.0.div_ceil(1_000);
    Duration::from_secs(secs.clamp(KEEP_ALIVE_SECS_MIN, KEEP_ALIVE_SECS_MAX))
}

pub(super) fn mqtt_options(config: &LinkConfig) -> Result<MqttOptions, BadTls> {
    let broker = &config.broker;
    // Encrypted links to a bare IPv6 address are beyond the client library: it takes the host for the
    // certificate's name as well as for the address, and each wants another spelling. A host name does.
    let bare_ipv6 = broker.tls.is_none() && broker.host.contains(':') && !broker.host.starts_with('[');
    let host = if bare_ipv6 { format!("[{}]", broker.host) } else { broker.host.clone() };
    let mut options = MqttOptions::new(broker.client_id.clone(), host, broker.port);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_SECS_MAX);
    options
        .set_network_options(network)
        .set_connection_timeout(CONNECT_SECS_MAX)
        .set_keep_alive(keep_alive(config))
        .set_clean_start(true)
        .set_session_expiry_interval(Some(0))
        .set_max_packet_size(Some(INCOMING_PACKET_BYTES_MAX))
        .set_outgoing_inflight_upper_limit(2 * UNCONFIRMED_MAX);
    if !config.will.is_empty() {
        let (topic, will) = (config.health_topic.clone(), config.will.to_vec());
        let properties = LastWillProperties {
            delay_interval: None,
            payload_format_indicator: Some(UTF_8),
            message_expiry_interval: None,
            content_type: Some(JSON.to_owned()),
            response_topic: None,
            correlation_data: None,
            user_properties: Vec::new(),
        };
        options.set_last_will(LastWill::new(topic, will, QoS::AtLeastOnce, true, Some(properties)));
    }
    if let Some(login) = &broker.login {
        options.set_credentials(login.user.clone(), login.password.expose());
    }
    if let Some(tls) = &broker.tls {
        tls::install_provider();
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls::client_config(tls)?)));
    }
    Ok(options)
}
