//! A connection that can go wrong: a TCP proxy in this process that cuts, refuses, stalls and delays.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::sleep;

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
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let port = listener.local_addr()?.port();
        let (conduct, seen) = watch::channel(Conduct::default());
        let broker = SocketAddr::from((Ipv4Addr::LOCALHOST, broker_port));
        let listening = tokio::spawn(async move {
            while let Ok((client, _)) = listener.accept().await {
                if !seen.borrow().refuse {
                    tokio::spawn(connect(client, broker, seen.clone()));
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

async fn connect(client: TcpStream, broker: SocketAddr, seen: watch::Receiver<Conduct>) {
    let Ok(broker) = TcpStream::connect(broker).await else { return };
    // Without it the proxy itself would add 40 ms here and there.
    let _ = (client.set_nodelay(true), broker.set_nodelay(true));
    let mut cut = seen.clone();
    let cuts = cut.borrow_and_update().cuts;
    let (from_client, to_client) = client.into_split();
    let (from_broker, to_broker) = broker.into_split();
    tokio::select! {
        () = pass(from_client, to_broker, seen.clone(), |conduct| conduct.stall_to_broker) => {}
        () = pass(from_broker, to_client, seen, |conduct| conduct.stall_to_client) => {}
        _ = cut.wait_for(|conduct| conduct.cuts != cuts) => {}
    }
}

async fn pass(
    mut from: OwnedReadHalf,
    mut to: OwnedWriteHalf,
    mut seen: watch::Receiver<Conduct>,
    stalled: fn(&Conduct) -> bool,
) {
    let mut piece = vec![0; 16 * 1024];
    loop {
        let Ok(length) = from.read(&mut piece).await else { return };
        if length == 0 {
            return;
        }
        let delay = seen.borrow().delay;
        if !delay.is_zero() {
            sleep(delay).await;
        }
        if seen.wait_for(|conduct| !stalled(conduct)).await.is_err()
            || to.write_all(&piece[..length]).await.is_err()
        {
            return;
        }
    }
}
