//! What passes on a connection, as MQTT 5 has it (OASIS standard, sections 2.1 and 3.3), read here and not by any
//! client library: who judges the guard by its bytes must not read them with the guard's eyes.

/// A message, as far as anybody here wants to know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    pub topic: String,
    pub payload: Vec<u8>,
}

/// One direction of one connection.
#[derive(Debug, Default)]
pub struct Packets {
    waiting: Vec<u8>,
}

const PUBLISH: u8 = 3;
const SUBSCRIBE: u8 = 8;

/// One packet, as far as anybody here wants to know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Packet {
    Published(Published),
    /// To these filters.
    Subscribes(Vec<String>),
    Other,
}

impl Packets {
    /// Every packet that is whole by now.
    pub fn hears(&mut self, bytes: &[u8]) -> Vec<Packet> {
        self.waiting.extend_from_slice(bytes);
        let mut packets = Vec::new();
        while let Some((first, body, length)) = whole(&self.waiting) {
            let packet = match first >> 4 {
                PUBLISH => published(first, body).map(Packet::Published),
                SUBSCRIBE => filters(body).map(Packet::Subscribes),
                _ => None,
            };
            packets.push(packet.unwrap_or(Packet::Other));
            self.waiting.drain(..length);
        }
        packets
    }
}

/// The first byte of the first packet, what follows its length, and how long the packet is.
fn whole(bytes: &[u8]) -> Option<(u8, &[u8], usize)> {
    let (first, rest) = bytes.split_first()?;
    let (length, digits) = number(rest)?;
    let body = rest.get(digits..digits + length)?;
    Some((*first, body, 1 + digits + length))
}

/// A variable byte integer, and of how many bytes it is.
fn number(bytes: &[u8]) -> Option<(usize, usize)> {
    let mut value = 0;
    for (at, byte) in bytes.iter().take(4).enumerate() {
        value |= usize::from(byte & 0x7f) << (7 * at);
        if byte & 0x80 == 0 {
            return Some((value, at + 1));
        }
    }
    None
}

fn published(first: u8, body: &[u8]) -> Option<Published> {
    let (length, rest) = body.split_at_checked(2)?;
    let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
    let (topic, rest) = rest.split_at_checked(length)?;
    let has_number = first & 0b0110 != 0;
    let rest = rest.get(if has_number { 2 } else { 0 }..)?;
    let (properties, digits) = number(rest)?;
    let payload = rest.get(digits + properties..)?;
    Some(Published { topic: String::from_utf8_lossy(topic).into_owned(), payload: payload.to_vec() })
}

/// Section 3.8: a packet identifier, properties, and filters with a byte of options behind each.
fn filters(body: &[u8]) -> Option<Vec<String>> {
    let rest = body.get(2..)?;
    let (properties, digits) = number(rest)?;
    let mut rest = rest.get(digits + properties..)?;
    let mut filters = Vec::new();
    while let Some((length, behind)) = rest.split_at_checked(2) {
        let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
        let (filter, behind) = behind.split_at_checked(length)?;
        filters.push(String::from_utf8_lossy(filter).into_owned());
        rest = behind.get(1..)?;
    }
    Some(filters)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From section 3.3 of the standard: the topic a/b, the packet identifier 10, no properties.
    #[test]
    fn a_message_is_read_however_its_bytes_are_split() {
        let bytes = [0x32, 0x08, 0x00, 0x03, 0x61, 0x2f, 0x62, 0x00, 0x0a, 0x00, 0xd0, 0x00];
        let message = Published { topic: "a/b".into(), payload: Vec::new() };
        for at in 0..bytes.len() {
            let mut tap = Packets::default();
            let mut packets = tap.hears(&bytes[..at]);
            packets.extend(tap.hears(&bytes[at..]));
            assert_eq!(packets, [Packet::Published(message.clone()), Packet::Other], "split at {at}");
        }
    }

    #[test]
    fn properties_and_payload_are_told_apart() {
        // Quality of service 0, one property of five bytes (message expiry), a payload of three.
        let bytes = [0x31, 12, 0, 1, b't', 5, 2, 0, 0, 0, 9, b'o', b'f', b'f'];
        let message = Published { topic: "t".into(), payload: b"off".to_vec() };
        assert_eq!(Packets::default().hears(&bytes), [Packet::Published(message)]);
    }

    /// From section 3.8.3 of the standard: a/b and c/d.
    #[test]
    fn every_filter_of_a_subscription_is_heard() {
        let bytes = [0x82, 15, 0, 10, 0, 0, 3, b'a', b'/', b'b', 1, 0, 3, b'c', b'/', b'd', 2];
        assert_eq!(Packets::default().hears(&bytes), [Packet::Subscribes(vec!["a/b".into(), "c/d".into()])]);
    }
}
