//! A broker inside the program, for the demonstration and the tests: on a free port of the loopback address, in
//! memory, open to everyone on this computer. Not for a workshop.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig, BrokerShutdownHandle, MqttBroker};
use tokio::task::JoinHandle;

/// Clients that do not leave are not waited for any longer.
const SHUTDOWN_WAIT: Duration = Duration::from_secs(2);
/// The largest packet there is (MQTT 5.0, section 1.5.5: four bytes of length). The library's own default is one byte
/// more, which some clients refuse before they are connected.
const PACKET_BYTES_MAX: usize = 268_435_455;

/// A running broker. Stops when dropped; [`EmbeddedBroker::shutdown`] waits for it.
pub struct EmbeddedBroker {
    port: u16,
    stop: BrokerShutdownHandle,
    running: JoinHandle<()>,
}

impl EmbeddedBroker {
    /// On a free port. Needs a Tokio runtime.
    pub async fn start() -> io::Result<EmbeddedBroker> {
        EmbeddedBroker::start_with(0, None).await
    }

    /// On this port (0 is a free one), and with an access list of lines such as
    /// `user * topic shop/# permission readwrite`.
    pub async fn start_with(port: u16, access_list: Option<PathBuf>) -> io::Result<EmbeddedBroker> {
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        let mut config = BrokerConfig::default()
            .with_bind_addresses(vec![address])
            .with_sys_topics_enabled(false)
            .with_storage(StorageConfig::new().with_backend(StorageBackend::Memory).with_persistence(false));
        config.max_packet_size = PACKET_BYTES_MAX;
        config.auth_config.allow_anonymous = true;
        config.auth_config.acl_file = access_list;
        let mut broker = MqttBroker::with_config(config).await.map_err(io::Error::other)?;
        let port = broker.local_addr().map(|address| address.port());
        let port = port.ok_or_else(|| io::Error::other("the embedded broker has no address"))?;
        let stop = broker.shutdown_handle();
        let mut ready = broker.ready_receiver();
        let running = tokio::spawn(async move {
            if let Err(err) = broker.run().await {
                tracing::error!(%err, "the embedded broker has stopped");
            }
        });
        ready.wait_for(|ready| *ready).await.map_err(io::Error::other)?;
        Ok(EmbeddedBroker { port, stop, running })
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// Ends all connections and waits until it is done, two seconds at most.
    pub async fn shutdown(mut self) {
        self.stop.shutdown();
        let _ = tokio::time::timeout(SHUTDOWN_WAIT, &mut self.running).await;
    }
}

impl Drop for EmbeddedBroker {
    fn drop(&mut self) {
        self.stop.shutdown();
        self.running.abort();
    }
}

impl std::fmt::Debug for EmbeddedBroker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("EmbeddedBroker").field("port", &self.port).finish_non_exhaustive()
    }
}
