//! What happens in the workshop, scene by scene, and what must come of it.
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`scene`] | the parts a story is made of, as data |
//! | [`birch_lane`] | the story of the demo |
//! | [`news`] | what the daemon publishes, read with tolerance |
//! | [`teller`] | plays the story: pure, given the time and the news, says what to print and to do |
//! | [`page`] | the lines as a person reads them |
//! | [`play`] | the teller on a broker, a workshop and the clock |

pub mod birch_lane;
mod heard;
pub mod news;
pub mod page;
pub mod play;
#[cfg(test)]
mod rehearsal;
pub mod scene;
pub mod teller;

pub use page::Page;
pub use play::play;
pub use teller::{Outcome, Teller};
