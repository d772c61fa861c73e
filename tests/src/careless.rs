//! A broker that leaves out what Idlegate relies on: a proxy in front of a real one that rewrites what a client sends
//! to it.
//!
//! It takes real packets apart (MQTT 5.0, sections 2.1, 3.3 and 3.8), so broker and client are what they are everywhere
//! else.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};

use tokio::io::{AsyncReadExt, AsyncWriteExt, copy};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// Larger packets are not sent in tests.
const PACKET_BYTES_MAX: usize = 1024 * 1024;
const PUBLISH: u8 = 3;
const SUBSCRIBE: u8 = 8;
const MESSAGE_EXPIRY: u8 = 0x02;
/// Of the options of a subscription: quality of service and no-local. The rest is about retained messages.
const OPTIONS_KEPT: u8 = 0b0000_0111;

/// What the broker does not heed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ignores {
    /// Message expiry: whatever waits for a client is delivered however late.
    pub expiry: bool,
    /// Retain handling and retain-as-published: the store is opened to every subscription, and what is live comes
    /// without the flag.
    pub retain_options: bool,
}

/// Stops when dropped.
#[derive(Debug)]
pub struct Careless {
    port: u16,
    ignores: watch::Sender<Ignores>,
    listening: JoinHandle<()>,
}

impl Careless {
    /// In front of the broker at this port of the loopback address.
    pub async fn start(broker_port: u16, ignores: Ignores) -> io::Result<Careless> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let port = listener.local_addr()?.port();
        let broker = SocketAddr::from((Ipv4Addr::LOCALHOST, broker_port));
        let (ignores, seen) = watch::channel(ignores);
        let listening = tokio::spawn(async move {
            while let Ok((client, _)) = listener.accept().await {
                tokio::spawn(connect(client, broker, seen.clone()));
            }
        });
        Ok(Careless { port, ignores, listening })
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// From the next packet on.
    pub fn set(&self, ignores: Ignores) {
        self.ignores.send_replace(ignores);
    }
}

impl Drop for Careless {
    fn drop(&mut self) {
        self.listening.abort();
    }
}

async fn connect(client: TcpStream, broker: SocketAddr, ignores: watch::Receiver<Ignores>) {
    let Ok(broker) = TcpStream::connect(broker).await else { return };
    let _ = (client.set_nodelay(true), broker.set_nodelay(true));
    let (from_client, mut to_client) = client.into_split();
    let (mut from_broker, to_broker) = broker.into_split();
    tokio::select! {
        _ = rewrite(from_client, to_broker, ignores) => {}
        _ = copy(&mut from_broker, &mut to_client) => {}
    }
}

async fn rewrite(
    mut from: OwnedReadHalf,
    mut to: OwnedWriteHalf,
    ignores: watch::Receiver<Ignores>,
) -> io::Result<()> {
    loop {
        let first = from.read_u8().await?;
        let length = read_length(&mut from).await?;
        if length > PACKET_BYTES_MAX {
            return Err(io::ErrorKind::InvalidData.into());
        }
        let mut body = vec![0; length];
        from.read_exact(&mut body).await?;
        let ignores = *ignores.borrow();
        let rewritten = match first >> 4 {
            PUBLISH if ignores.expiry => without_expiry(first, &body),
            SUBSCRIBE if ignores.retain_options => without_retain_options(&body),
            _ => Some(body),
        };
        let body = rewritten.ok_or(io::ErrorKind::InvalidData)?;
        let mut packet = vec![first];
        write_length(&mut packet, body.len());
        packet.extend(body);
        to.write_all(&packet).await?;
    }
}

async fn read_length(from: &mut OwnedReadHalf) -> io::Result<usize> {
    let mut bytes = Vec::new();
    loop {
        bytes.push(from.read_u8().await?);
        match length(&bytes) {
            Some((length, _)) => return Ok(length),
            None if bytes.len() < 4 => {}
            None => return Err(io::ErrorKind::InvalidData.into()),
        }
    }
}

/// A variable byte integer (section 1.5.5), and how many bytes it takes.
fn length(bytes: &[u8]) -> Option<(usize, usize)> {
    let taken = bytes.iter().take(4).position(|byte| byte & 0x80 == 0)? + 1;
    let value = bytes[..taken].iter().rev().fold(0, |value, byte| value << 7 | usize::from(byte & 0x7f));
    Some((value, taken))
}

fn write_length(to: &mut Vec<u8>, mut length: usize) {
    loop {
        let byte = u8::try_from(length & 0x7f).unwrap_or(0);
        length >>= 7;
        to.push(if length > 0 { byte | 0x80 } else { byte });
        if length == 0 {
            return;
        }
    }
}

fn two_bytes(bytes: &[u8], at: usize) -> Option<usize> {
    Some(usize::from(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?])))
}

fn without_expiry(first: u8, body: &[u8]) -> Option<Vec<u8>> {
    let confirmed = first & 0b0110 != 0;
    let at = 2 + two_bytes(body, 0)? + if confirmed { 2 } else { 0 };
    let (all, taken) = length(body.get(at..)?)?;
    let begin = at + taken;
    let properties = body.get(begin..begin + all)?;
    let mut kept = Vec::new();
    let mut place = 0;
    while place < properties.len() {
        let next = place + property_length(&properties[place..])?;
        if properties[place] != MESSAGE_EXPIRY {
            kept.extend_from_slice(properties.get(place..next)?);
        }
        place = next;
    }
    let mut new = body[..at].to_vec();
    write_length(&mut new, kept.len());
    new.extend(kept);
    new.extend_from_slice(body.get(begin + all..)?);
    Some(new)
}

/// Of the properties that a message may have (section 2.2.2.2), identifier included.
fn property_length(bytes: &[u8]) -> Option<usize> {
    Some(match *bytes.first()? {
        0x01 => 2,
        MESSAGE_EXPIRY => 5,
        0x23 => 3,
        0x0b => 1 + length(&bytes[1..])?.1,
        0x03 | 0x08 | 0x09 => 3 + two_bytes(bytes, 1)?,
        0x26 => {
            let name = 3 + two_bytes(bytes, 1)?;
            name + 2 + two_bytes(bytes, name)?
        }
        _ => return None,
    })
}

fn without_retain_options(body: &[u8]) -> Option<Vec<u8>> {
    let (properties, taken) = length(body.get(2..)?)?;
    let mut new = body.to_vec();
    let mut at = 2 + taken + properties;
    while at < new.len() {
        at += 2 + two_bytes(&new, at)?;
        *new.get_mut(at)? &= OPTIONS_KEPT;
        at += 1;
    }
    Some(new)
}
