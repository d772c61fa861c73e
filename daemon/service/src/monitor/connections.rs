//! The connections that are open, and how long each may stay.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio::time::sleep;

use super::answers::Site;

/// A monitor needs one connection. With so many open, the oldest is closed for a new one: whoever asks at once is
/// answered at once, however many others dawdle. Those that watch the page for people are not among them; it counts its
/// own.
const CONNECTIONS_MAX: usize = 16;
/// Whoever is slower is cut off.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
const HEADER_WITHIN: Duration = Duration::from_secs(5);

#[derive(Debug, Default)]
pub(super) struct Connections(VecDeque<Connection>);

/// Ends when it is dropped, with the page as a whole too.
#[derive(Debug)]
struct Connection {
    task: JoinHandle<()>,
    watch: Arc<Watch>,
}

/// A connection may become one that watches the page for people.
#[derive(Debug, Default)]
pub(super) struct Watch {
    pub(super) watches: AtomicBool,
    /// Told when it does not read what it is sent.
    pub(super) cut: Arc<Notify>,
}

impl Drop for Connection {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Connections {
    pub(super) async fn serve(mut self, listener: TcpListener, site: Arc<Site>) {
        loop {
            match listener.accept().await {
                Ok((stream, peer)) => self.open(stream, peer.ip(), &site),
                // Out of file handles, most likely: they come back.
                Err(_) => sleep(Duration::from_millis(100)).await,
            }
        }
    }

    fn open(&mut self, stream: TcpStream, peer: IpAddr, site: &Arc<Site>) {
        self.0.retain(|connection| !connection.task.is_finished());
        let passing = |connection: &Connection| !connection.watch.watches.load(Ordering::Relaxed);
        if self.0.iter().filter(|connection| passing(connection)).count() >= CONNECTIONS_MAX
            && let Some(oldest) = self.0.iter().position(passing)
        {
            self.0.remove(oldest);
        }
        let watch = Arc::new(Watch::default());
        let task = tokio::spawn(answer(stream, peer, site.clone(), watch.clone()));
        self.0.push_back(Connection { task, watch });
    }
}

async fn answer(stream: TcpStream, peer: IpAddr, site: Arc<Site>, watch: Arc<Watch>) {
    let asked = watch.clone();
    let answer = service_fn(move |request| {
        let answer = site.answer(&request, peer, &asked);
        async move { Ok::<_, Infallible>(answer) }
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), answer);
    // Whoever watches the page may stay, as long as they read it.
    let limit = async {
        sleep(ANSWER_WITHIN).await;
        if watch.watches.load(Ordering::Relaxed) {
            std::future::pending::<()>().await;
        }
    };
    tokio::select! {
        ended = connection => {
            if let Err(error) = ended {
                tracing::debug!(%error, "a monitor's connection ended");
            }
        }
        () = limit => {}
        () = watch.cut.notified() => {}
    }
}
