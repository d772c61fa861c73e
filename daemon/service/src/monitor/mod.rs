//! What is served over HTTP: `/metrics` as OpenMetrics and `/health` as JSON for monitors, and the page for people.
//! Read only, and off unless the rules ask for it. It has no part in guarding and a thread of its own: if it fails, the
//! guard goes on.

mod answers;
mod body;
mod connections;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::{self, JoinHandle};

use tokio::net::TcpSocket;
use tokio::sync::oneshot;

use self::answers::Site;
use self::connections::Connections;
use super::metrics::Metrics;
use super::page::{Facts, Page, Stage};
use idlegate_plan::Monitoring;

/// What the system keeps for one who does not read: a page for people is small, and there may be many of them.
const SEND_BUFFER_BYTES: u32 = 64 << 10;
const BACKLOG: u32 = 128;

/// Listens where the rules say, as long as they say so.
#[derive(Debug)]
pub(super) struct Monitor {
    metrics: Arc<Metrics>,
    page: Page,
    /// Where the journal is, for what the page shows of the time before the start.
    state_dir: Option<PathBuf>,
    listening: Option<Listening>,
    /// One that has been told to end: its address is free only when it is gone.
    ending: Option<JoinHandle<()>>,
}

#[derive(Debug)]
struct Listening {
    by: Monitoring,
    /// It ends when this is dropped.
    stop: oneshot::Sender<()>,
    thread: JoinHandle<()>,
}

impl Monitor {
    pub(super) fn new(metrics: Arc<Metrics>, page: Page, state_dir: Option<PathBuf>) -> Monitor {
        Monitor { metrics, page, state_dir, listening: None, ending: None }
    }

    /// At the start, and when the rules have changed.
    pub(super) fn follow(&mut self, wanted: Option<&Monitoring>) {
        if self.listening.as_ref().map(|listening| &listening.by) == wanted {
            return;
        }
        self.page.close();
        if let Some(Listening { stop, thread, .. }) = self.listening.take() {
            drop(stop);
            self.ending = Some(thread);
        }
        let Some(monitoring) = wanted else { return };
        if monitoring.page && !monitoring.listen.ip().is_loopback() {
            tracing::warn!(
                address = %monitoring.listen,
                "the page for people has no encryption and no login: whoever is on the network can read it with its readers. \
                 Put a proxy with TLS and a login in front"
            );
        }
        let facts = monitoring.page.then(|| self.page.open());
        let (stop, stopped) = oneshot::channel();
        let (before, by) = (self.ending.take(), monitoring.clone());
        let (metrics, state_dir) = (self.metrics.clone(), self.state_dir.clone());
        let serve = move || {
            // It was told to end, and does so at once; nobody but this thread waits for it.
            let _ = before.map(JoinHandle::join);
            serve(by, metrics, facts, state_dir, stopped);
        };
        match thread::Builder::new().name("monitor".into()).spawn(serve) {
            Ok(thread) => self.listening = Some(Listening { by: monitoring.clone(), stop, thread }),
            Err(error) => {
                tracing::error!(%error, "no thread for the page for monitors; the guard carries on without it")
            }
        }
    }
}

impl Drop for Monitor {
    fn drop(&mut self) {
        self.follow(None);
        // It ends at once, and whoever guards next in this process finds its address free.
        let _ = self.ending.take().map(JoinHandle::join);
    }
}

fn serve(
    monitoring: Monitoring,
    metrics: Arc<Metrics>,
    facts: Option<Facts>,
    state_dir: Option<PathBuf>,
    stopped: oneshot::Receiver<()>,
) {
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            tracing::error!(%error, "the page for monitors cannot be served; the guard carries on without it");
            return;
        }
    };
    runtime.block_on(async {
        tokio::select! {
            _ = stopped => {}
            () = listen(monitoring, metrics, facts, state_dir) => {}
        }
    });
    // Whoever still reads the journal is not waited for.
    runtime.shutdown_background();
}

async fn listen(
    monitoring: Monitoring,
    metrics: Arc<Metrics>,
    facts: Option<Facts>,
    state_dir: Option<PathBuf>,
) {
    let address = monitoring.listen;
    let listener = match bind(address) {
        Ok(listener) => listener,
        Err(error) => {
            tracing::error!(%address, %error, "the page for monitors cannot be served; the guard carries on without it");
            return;
        }
    };
    tracing::info!(%address, people = monitoring.page, "page for monitors");
    let stage = facts.map(Stage::new);
    let site = Arc::new(Site { monitoring, metrics, stage: stage.clone() });
    let show = async {
        match &stage {
            Some(stage) => stage.run(state_dir).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        () = show => {}
        () = Connections::default().serve(listener, site) => {}
    }
}

fn bind(address: SocketAddr) -> std::io::Result<tokio::net::TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    socket.set_reuseaddr(true)?;
    // Every connection inherits it.
    socket.set_send_buffer_size(SEND_BUFFER_BYTES)?;
    socket.bind(address)?;
    socket.listen(BACKLOG)
}
