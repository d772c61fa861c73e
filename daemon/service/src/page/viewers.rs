//! Those who watch. Each has a small queue; who does not read is dropped, and nobody waits for anybody.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use bytes::Bytes;
use tokio::sync::{Notify, mpsc};

/// More than stand in any workshop.
pub(super) const VIEWERS_MAX: usize = 128;
/// Some seconds' worth of them.
const FRAMES_MAX: usize = 16;
/// Then a browser that is there connects anew, and what is left of one that went without a word is gone.
const STAYS: Duration = Duration::from_secs(900);

#[derive(Debug)]
pub(super) struct Viewers {
    seats: Vec<Seat>,
    /// For the loop, which tells more while somebody watches.
    count: Arc<AtomicUsize>,
}

#[derive(Debug)]
struct Seat {
    frames: mpsc::Sender<Bytes>,
    since: Instant,
    /// Ends the connection even in the middle of a frame that it does not take.
    cut: Arc<Notify>,
}

impl Viewers {
    pub(super) fn new(count: Arc<AtomicUsize>) -> Viewers {
        Viewers { seats: Vec::new(), count }
    }

    /// Its frames, of which this is the first. None if there is no room.
    pub(super) fn admit(&mut self, first: Bytes, cut: Arc<Notify>) -> Option<mpsc::Receiver<Bytes>> {
        self.seats.retain(|seat| !seat.frames.is_closed());
        let (frames, receiver) = mpsc::channel(FRAMES_MAX);
        let admitted = self.seats.len() < VIEWERS_MAX && frames.try_send(first).is_ok();
        if admitted {
            self.seats.push(Seat { frames, since: Instant::now(), cut });
        }
        self.count.store(self.seats.len(), Ordering::Relaxed);
        admitted.then_some(receiver)
    }

    pub(super) fn show(&mut self, frame: &Bytes) {
        self.seats.retain(|seat| {
            let reads = seat.frames.try_send(frame.clone()).is_ok();
            if !reads {
                seat.cut.notify_one();
            }
            reads && seat.since.elapsed() < STAYS
        });
        self.count.store(self.seats.len(), Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn viewers() -> (Viewers, Arc<AtomicUsize>) {
        let count = Arc::new(AtomicUsize::new(0));
        (Viewers::new(count.clone()), count)
    }

    #[tokio::test]
    async fn who_does_not_read_is_dropped_and_the_others_go_on() {
        let (mut viewers, count) = viewers();
        let cut = Arc::new(Notify::new());
        let mut reads = viewers.admit(Bytes::from("whole"), Arc::default()).unwrap();
        let _sleeps = viewers.admit(Bytes::from("whole"), cut.clone()).unwrap();
        for number in 0..100 {
            viewers.show(&Bytes::from(number.to_string()));
            while reads.try_recv().is_ok() {}
        }
        assert_eq!(count.load(Ordering::Relaxed), 1);
        cut.notified().await;
        viewers.show(&Bytes::from("last"));
        assert_eq!(reads.recv().await.unwrap(), "last");
    }

    #[test]
    fn there_is_room_again_when_somebody_has_gone() {
        let (mut viewers, count) = viewers();
        let mut there: Vec<_> =
            (0..VIEWERS_MAX).map(|_| viewers.admit(Bytes::new(), Arc::default()).unwrap()).collect();
        assert!(viewers.admit(Bytes::new(), Arc::default()).is_none());
        there.pop();
        there.push(viewers.admit(Bytes::new(), Arc::default()).unwrap());
        assert_eq!(count.load(Ordering::Relaxed), VIEWERS_MAX);
        there.clear();
        viewers.show(&Bytes::new());
        assert_eq!(count.load(Ordering::Relaxed), 0);
    }
}
