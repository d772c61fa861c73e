//! Chance, for what nobody may guess.

use std::fs::File;
use std::io::Read as _;

/// From the kernel, which has gathered enough of it long before anybody logs in.
pub(super) fn secret() -> std::io::Result<[u8; 32]> {
    let mut secret = [0; 32];
    File::open("/dev/urandom")?.read_exact(&mut secret)?;
    Ok(secret)
}
