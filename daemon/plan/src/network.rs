//! Who is near enough on the network: an address, or all that begin with the same bits.

use std::fmt;
use std::net::IpAddr;
use std::str::FromStr;

/// "192.168.7.20", or "192.168.7.0/24" (CIDR, RFC 4632) for all that begin with the same 24 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Network {
    address: IpAddr,
    bits: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotANetwork;

impl Network {
    /// An IPv4 address that came over an IPv6 socket is what it is.
    pub fn contains(&self, address: IpAddr) -> bool {
        match (self.address, address.to_canonical()) {
            (IpAddr::V4(own), IpAddr::V4(other)) => {
                same(own.to_bits().into(), other.to_bits().into(), 32, self.bits)
            }
            (IpAddr::V6(own), IpAddr::V6(other)) => same(own.to_bits(), other.to_bits(), 128, self.bits),
            (IpAddr::V4(_), IpAddr::V6(_)) | (IpAddr::V6(_), IpAddr::V4(_)) => false,
        }
    }
}

/// Whether the first of so many bits are the same.
fn same(one: u128, other: u128, width: u32, bits: u32) -> bool {
    // Shifting out everything is no shift that a processor knows.
    (one ^ other).checked_shr(width - bits).unwrap_or(0) == 0
}

impl FromStr for Network {
    type Err = NotANetwork;

    fn from_str(text: &str) -> Result<Network, NotANetwork> {
        let (address, bits) = match text.split_once('/') {
            Some((address, bits)) => (address, Some(bits.parse::<u32>().map_err(|_| NotANetwork)?)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| NotANetwork)?;
        let width = if address.is_ipv4() { 32 } else { 128 };
        let bits = bits.unwrap_or(width);
        if bits > width { Err(NotANetwork) } else { Ok(Network { address, bits }) }
    }
}

impl fmt::Display for Network {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.address, self.bits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Judged against the blocks that RFC 4632 and RFC 4291 give as examples (from memory), and their neighbours.
    #[test]
    fn a_network_holds_its_own_and_no_neighbour() {
        for (network, address, inside) in [
            ("192.168.7.20", "192.168.7.20", true),
            ("192.168.7.20", "192.168.7.21", false),
            ("10.24.0.0/13", "10.24.0.0", true),
            ("10.24.0.0/13", "10.31.255.255", true),
            ("10.24.0.0/13", "10.32.0.0", false),
            ("0.0.0.0/0", "203.0.113.9", true),
            ("0.0.0.0/0", "2001:db8::1", false),
            ("2001:db8::/32", "2001:db8:ffff::1", true),
            ("2001:db8::/32", "2001:db9::1", false),
            ("::/0", "2001:db9::1", true),
            ("192.168.7.0/24", "::ffff:192.168.7.9", true),
            ("192.168.7.0/24", "::ffff:192.168.8.9", false),
        ] {
            let network: Network = network.parse().unwrap();
            assert_eq!(network.contains(address.parse().unwrap()), inside, "{network} {address}");
        }
    }

    #[test]
    fn what_is_no_network_is_refused() {
        for text in [
            "",
            "shop.lan",
            "192.168.7.0/33",
            "192.168.7.0/",
            "192.168.7/24",
            "::/129",
            "10.0.0.1/-1",
            "10.0.0.1/+8 ",
        ] {
            assert_eq!(text.parse::<Network>(), Err(NotANetwork), "{text}");
        }
    }
}
