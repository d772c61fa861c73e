//! Server-sent events, read as the HTML standard has them (WHATWG HTML, section 9.2.6 "Interpreting an event stream",
//! from memory): what a browser would hand to a page.

use std::time::Duration;

use anyhow::{Context, Result, bail};
use serde_json::Value as Json;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::DEADLINE;

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SentEvent {
    pub kind: String,
    pub data: String,
}

/// Takes bytes as they come, and gives whole events.
#[derive(Debug, Default)]
pub struct EventStream {
    rest: Vec<u8>,
    begun: bool,
    event: SentEvent,
}

impl EventStream {
    pub fn take(&mut self, bytes: &[u8]) -> Vec<SentEvent> {
        self.rest.extend_from_slice(bytes);
        let mut events = Vec::new();
        while let Some((line, taken)) = first_line(&self.rest) {
            let line = String::from_utf8_lossy(&self.rest[..line]).into_owned();
            self.rest.drain(..taken);
            let line = if self.begun { line.as_str() } else { line.trim_start_matches('\u{feff}') };
            self.begun = true;
            events.extend(self.line(line));
        }
        events
    }

    fn line(&mut self, line: &str) -> Option<SentEvent> {
        if line.is_empty() {
            let mut event = std::mem::take(&mut self.event);
            if event.data.is_empty() {
                return None;
            }
            event.data.pop();
            if event.kind.is_empty() {
                "message".clone_into(&mut event.kind);
            }
            return Some(event);
        }
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "event" => value.clone_into(&mut self.event.kind),
            "data" => {
                self.event.data.push_str(value);
                self.event.data.push('\n');
            }
            // Comments, ids, times to wait, and what nobody knows.
            _ => {}
        }
        None
    }
}

/// The length of the first line, and of it with its end. A carriage return at the very end may be half of an end.
fn first_line(bytes: &[u8]) -> Option<(usize, usize)> {
    let end = bytes.iter().position(|byte| matches!(byte, b'\n' | b'\r'))?;
    match (bytes[end], bytes.get(end + 1)) {
        (b'\r', None) => None,
        (b'\r', Some(b'\n')) => Some((end, end + 2)),
        _ => Some((end, end + 1)),
    }
}

/// One that watches the page.
#[derive(Debug)]
pub struct Viewer {
    stream: TcpStream,
    events: EventStream,
    heard: Vec<SentEvent>,
    /// Of the answer.
    pub head: String,
}

impl Viewer {
    /// Asks, and waits for the head of the answer. By HTTP/1.0, in which an answer comes as it is, in no chunks.
    pub async fn come(address: std::net::SocketAddr) -> Result<Viewer> {
        let mut stream = TcpStream::connect(address).await?;
        stream.write_all(b"GET /events HTTP/1.0\r\nHost: localhost\r\n\r\n").await?;
        let mut viewer =
            Viewer { stream, events: EventStream::default(), heard: Vec::new(), head: String::new() };
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            head.push(timeout(DEADLINE, viewer.stream.read_u8()).await??);
        }
        viewer.head = String::from_utf8(head)?;
        Ok(viewer)
    }

    pub async fn next(&mut self) -> Result<(String, Json)> {
        let mut buffer = vec![0; 64 << 10];
        while self.heard.is_empty() {
            let read = timeout(DEADLINE, self.stream.read(&mut buffer)).await.context("no event came")??;
            if read == 0 {
                bail!("the stream has ended");
            }
            self.heard = self.events.take(&buffer[..read]);
        }
        let SentEvent { kind, data } = self.heard.remove(0);
        Ok((kind, serde_json::from_str(&data)?))
    }

    /// What the page shows of a machine, once this is true of it.
    pub async fn card(&mut self, name: &str, is_it: impl Fn(&Json) -> bool) -> Result<Json> {
        let found = async {
            loop {
                let (_, frame) = self.next().await?;
                let cards = frame["machines"].as_array().into_iter().flatten();
                if let Some(card) = cards.into_iter().find(|card| card["name"] == name && is_it(card)) {
                    return Ok(card.clone());
                }
            }
        };
        timeout(DEADLINE, found).await.with_context(|| format!("waited too long for {name}"))?
    }

    /// Reads and forgets, as long as this lasts.
    pub async fn look_on(mut self, patience: Duration) -> Result<()> {
        let mut buffer = vec![0; 16 << 10];
        while timeout(patience, self.stream.read(&mut buffer)).await?? > 0 {}
        bail!("the stream has ended")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn events(text: &str) -> Vec<(String, String)> {
        let whole: Vec<SentEvent> = EventStream::default().take(text.as_bytes());
        // Wherever it is torn, the same comes of it.
        for at in 0..text.len() {
            let mut torn = EventStream::default();
            let mut found = torn.take(&text.as_bytes()[..at]);
            found.extend(torn.take(&text.as_bytes()[at..]));
            assert_eq!(found, whole);
        }
        whole.into_iter().map(|event| (event.kind, event.data)).collect()
    }

    /// The examples of the standard (from memory).
    #[test]
    fn streams_mean_what_the_standard_says() {
        let message = |data: &str| ("message".to_owned(), data.to_owned());
        assert_eq!(events("data: YHOO\ndata: +2\ndata: 10\n\n"), [message("YHOO\n+2\n10")]);
        let tests =
            ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n";
        assert_eq!(events(tests), [message("first event"), message("second event")]);
        assert_eq!(events("data\n\ndata\ndata\n\ndata:"), [message(""), message("\n")]);
        assert_eq!(events("data:test\n\ndata: test\n\n"), [message("test"), message("test")]);
        assert_eq!(
            events("event: beat\r\ndata: 1\r\rdata: 2\r\r\n"),
            [("beat".to_owned(), "1".to_owned()), message("2")]
        );
    }
}
