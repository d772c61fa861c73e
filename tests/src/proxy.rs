//! A connection that can go wrong: a TCP proxy in this process that cuts, refuses, stalls and delays, and tells whoever
//! listens what passes through it.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::judge::publishes::{Publish, Publishes};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::sleep;

/// So many pieces may be on their way in one direction.
const PIECES_MAX: usize = 256;

/// How the proxy treats what goes through it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Conduct {
    /// New connections are closed at once.
    pub refuse: bool,
    /// Nothing passes from the client to the broker, or back; what came meanwhile passes afterwards.
    pub stall_to_broker: bool,
    pub stall_to_client: bool,
    /// Each piece waits this long on its way, in both directions.
    pub delay: Duration,
    /// Counts up to cut all connections there are.
    pub cuts: u64,
}

/// Something that happens on a connection.
#[derive(Clone, Copy, Debug)]
pub struct Piece<'a> {
    pub at: Instant,
    pub connection: u64,
    pub passed: Passed<'a>,
}

#[derive(Clone, Copy, Debug)]
pub enum Passed<'a> {
    /// On its way from here into the client's socket.
    ToClient(&'a [u8]),
    /// Come from the client.
    ToBroker(&'a [u8]),
}

/// Is told of everything, in its order.
pub type Tap = Arc<dyn Fn(Piece<'_>) + Send + Sync>;

/// Which messages never reach the client: a mistake put in on purpose, after the tap has told of them.
pub type Withheld = fn(&Publish) -> bool;

/// Stops when dropped.
#[derive(Debug)]
pub struct Proxy {
    port: u16,
    conduct: watch::Sender<Conduct>,
    listening: JoinHandle<()>,
}

impl Proxy {
    /// In front of the broker at this port of the loopback address.
    pub async fn start(broker_port: u16) -> io::Result<Proxy> {
        Proxy::start_with(broker_port, Arc::new(|_| ()), None).await
    }

    /// And somebody listens, and may withhold messages.
    pub async fn start_with(broker_port: u16, tap: Tap, withheld: Option<Withheld>) -> io::Result<Proxy> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let port = listener.local_addr()?.port();
        let (conduct, seen) = watch::channel(Conduct::default());
        let broker = SocketAddr::from((Ipv4Addr::LOCALHOST, broker_port));
        let listening = tokio::spawn(async move {
            let mut connection = 0;
            while let Ok((client, _)) = listener.accept().await {
                if !seen.borrow().refuse {
                    connection += 1;
                    let tap = Tapped { tap: tap.clone(), connection, withheld };
                    tokio::spawn(connect(client, broker, seen.clone(), tap));
                }
            }
        });
        Ok(Proxy { port, conduct, listening })
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    pub fn set(&self, change: impl FnOnce(&mut Conduct)) {
        self.conduct.send_modify(change);
    }

    /// Ends all connections there are.
    pub fn cut(&self) {
        self.set(|conduct| conduct.cuts += 1);
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.listening.abort();
        self.cut();
    }
}

/// Tells of one connection.
struct Tapped {
    tap: Tap,
    connection: u64,
    withheld: Option<Withheld>,
}

impl Tapped {
    fn tell(&self, passed: Passed<'_>) {
        (self.tap)(Piece { at: Instant::now(), connection: self.connection, passed });
    }
}

async fn connect(client: TcpStream, broker: SocketAddr, seen: watch::Receiver<Conduct>, tap: Tapped) {
    let Ok(broker) = TcpStream::connect(broker).await else { return };
    // Without it the proxy itself would add 40 ms here and there.
    let _ = (client.set_nodelay(true), broker.set_nodelay(true));
    let mut cut = seen.clone();
    let cuts = cut.borrow_and_update().cuts;
    let (from_client, to_client) = client.into_split();
    let (from_broker, to_broker) = broker.into_split();
    let mut packets = Publishes::default();
    let tell = |piece: &[u8]| tap.tell(Passed::ToBroker(piece));
    // Told when it goes, not when it comes: it is delivered once it is in the socket.
    let tell_and_withhold = |piece: &[u8]| {
        tap.tell(Passed::ToClient(piece));
        let Some(withheld) = tap.withheld else { return piece.to_vec() };
        let packets = packets.packets(piece).into_iter();
        let passed = packets.filter(|(_, message)| !message.as_ref().is_some_and(withheld));
        passed.flat_map(|(packet, _)| packet).collect()
    };
    let (to_broker_stalled, to_client_stalled): (Stalled, Stalled) =
        (|conduct| conduct.stall_to_broker, |conduct| conduct.stall_to_client);
    tokio::select! {
        () = pass(from_client, to_broker, seen.clone(), to_broker_stalled, (tell, <[u8]>::to_vec)) => {}
        () = pass(from_broker, to_client, seen, to_client_stalled, (|_| (), tell_and_withhold)) => {}
        _ = cut.wait_for(|conduct| conduct.cuts != cuts) => {}
    }
}

type Stalled = fn(&Conduct) -> bool;

/// Reads on while what was read waits, so that whoever listens in knows when something was sent, and not when there was
/// room for it.
async fn pass(
    from: OwnedReadHalf,
    to: OwnedWriteHalf,
    seen: watch::Receiver<Conduct>,
    stalled: Stalled,
    (comes, goes): (impl FnMut(&[u8]), impl FnMut(&[u8]) -> Vec<u8>),
) {
    let (piece, pieces) = mpsc::channel(PIECES_MAX);
    let reading = async {
        reads(from, piece, comes).await;
        // What has been read is still to be written.
        std::future::pending::<()>().await;
    };
    tokio::select! {
        () = writes(to, pieces, seen, stalled, goes) => {}
        () = reading => {}
    }
}

async fn reads(
    mut from: OwnedReadHalf,
    piece: mpsc::Sender<(Instant, Vec<u8>)>,
    mut comes: impl FnMut(&[u8]),
) {
    let mut bytes = vec![0; 16 * 1024];
    while let Ok(length) = from.read(&mut bytes).await {
        if length == 0 {
            return;
        }
        comes(&bytes[..length]);
        if piece.send((Instant::now(), bytes[..length].to_vec())).await.is_err() {
            return;
        }
    }
}

async fn writes(
    mut to: OwnedWriteHalf,
    mut pieces: mpsc::Receiver<(Instant, Vec<u8>)>,
    mut seen: watch::Receiver<Conduct>,
    stalled: Stalled,
    mut goes: impl FnMut(&[u8]) -> Vec<u8>,
) {
    while let Some((since, bytes)) = pieces.recv().await {
        let delay = seen.borrow().delay;
        sleep(delay.saturating_sub(since.elapsed())).await;
        if seen.wait_for(|conduct| !stalled(conduct)).await.is_err() {
            return;
        }
        if to.write_all(&goes(&bytes)).await.is_err() {
            return;
        }
    }
}
