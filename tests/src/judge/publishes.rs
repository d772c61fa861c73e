//! What passes on one direction of an MQTT 5 connection: its publishes, read out of the bytes by hand. The guard reads
//! them with a library; whoever judges it should not make that library's mistakes.

/// A message as it stands in the bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Publish {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
}

/// One direction of one connection.
#[derive(Debug, Default)]
pub struct Publishes {
    waiting: Vec<u8>,
    /// The bytes were no MQTT; nothing after that can be understood.
    lost: bool,
}

const PUBLISH: u8 = 3;
/// The longest packet there can be.
const LENGTH_BYTES_MAX: usize = 4;

impl Publishes {
    /// Takes the next bytes, and says which messages they complete.
    pub(super) fn feed(&mut self, bytes: &[u8]) -> Vec<Publish> {
        self.packets(bytes).into_iter().filter_map(|(_, publish)| publish).collect()
    }

    /// Takes the next bytes, and gives the packets they complete, each with the message it is, if it is one.
    pub fn packets(&mut self, bytes: &[u8]) -> Vec<(Vec<u8>, Option<Publish>)> {
        self.waiting.extend_from_slice(bytes);
        let mut complete = Vec::new();
        while let Some((packet, header)) = self.next_packet() {
            let mut message = None;
            if packet[0] >> 4 == PUBLISH {
                message = publish(packet[0], &packet[header..]);
                self.lost |= message.is_none();
            }
            complete.push((packet, message));
        }
        complete
    }

    pub(super) fn is_lost(&self) -> bool {
        self.lost
    }

    /// One packet, and how long its header is.
    fn next_packet(&mut self) -> Option<(Vec<u8>, usize)> {
        let (_, rest) = self.waiting.split_first().filter(|_| !self.lost)?;
        let Some((length, bytes)) = number(rest) else {
            self.lost = rest.len() >= LENGTH_BYTES_MAX;
            return None;
        };
        let header = 1 + bytes;
        let end = header + length;
        (self.waiting.len() >= end).then(|| (self.waiting.drain(..end).collect(), header))
    }
}

/// A number of variable length, and how many bytes it takes.
fn number(bytes: &[u8]) -> Option<(usize, usize)> {
    let mut value = 0;
    for (nth, byte) in bytes.iter().take(LENGTH_BYTES_MAX).enumerate() {
        value |= usize::from(byte & 0x7f) << (7 * nth);
        if byte & 0x80 == 0 {
            return Some((value, nth + 1));
        }
    }
    None
}

/// Topic, packet id unless at most once, properties, payload.
fn publish(first: u8, body: &[u8]) -> Option<Publish> {
    let (length, rest) = body.split_at_checked(2)?;
    let (topic, rest) = rest.split_at_checked(usize::from(u16::from_be_bytes([length[0], length[1]])))?;
    let rest = if first & 0b0110 == 0 { rest } else { rest.get(2..)? };
    let (properties, header) = number(rest)?;
    let payload = rest.get(header + properties..)?.to_vec();
    // An empty topic stands for one named before, which none of our brokers makes use of.
    let topic = String::from_utf8(topic.to_vec()).ok().filter(|topic| !topic.is_empty())?;
    Some(Publish { topic, payload, retain: first & 1 == 1 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At least once, with a packet id and a property of four bytes, stored.
    fn message() -> Vec<u8> {
        let mut bytes = vec![0x33, 0];
        bytes.extend([0, 3, b'm', b'/', b'1', 0, 7, 5, 2, 0, 0, 0, 60]);
        bytes.extend(b"455");
        bytes[1] = u8::try_from(bytes.len() - 2).unwrap();
        bytes
    }

    #[test]
    fn messages_are_found_among_other_packets_however_the_bytes_are_cut_up() {
        let mut bytes = vec![0xd0, 0];
        bytes.extend(message());
        bytes.extend([0x40, 2, 0, 7]);
        bytes.extend([0x30, 7, 0, 3, b'm', b'/', b'2', 0, b'3']);
        let first = Publish { topic: "m/1".to_owned(), payload: b"455".to_vec(), retain: true };
        let second = Publish { topic: "m/2".to_owned(), payload: b"3".to_vec(), retain: false };
        for piece in [1, 2, 5, bytes.len()] {
            let mut publishes = Publishes::default();
            let found: Vec<_> = bytes.chunks(piece).flat_map(|piece| publishes.feed(piece)).collect();
            assert_eq!(found, [first.clone(), second.clone()], "in pieces of {piece}");
            assert!(!publishes.is_lost());
        }
    }

    #[test]
    fn what_is_no_mqtt_is_said_to_be_lost() {
        let mut publishes = Publishes::default();
        assert_eq!(publishes.feed(&[0x30, 0xff, 0xff, 0xff, 0xff, 0xff]), []);
        assert!(publishes.is_lost());
        let mut publishes = Publishes::default();
        assert_eq!(publishes.feed(&[0x30, 3, 0, 9, b'm']), []);
        assert!(publishes.is_lost());
    }
}
