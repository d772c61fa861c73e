//! The memory that all detectors at work share: forty of them at their own limit each would otherwise be 640 MiB.

use std::sync::atomic::{AtomicUsize, Ordering};

use super::limits::MEMORY_TOGETHER_BYTES;

/// How much there is, and how much of it is taken. Whoever finds too little left is stopped, and tried again later.
#[derive(Debug)]
pub struct SharedMemory {
    bytes_max: AtomicUsize,
    taken: AtomicUsize,
}

impl Default for SharedMemory {
    fn default() -> Self {
        SharedMemory { bytes_max: AtomicUsize::new(MEMORY_TOGETHER_BYTES), taken: AtomicUsize::new(0) }
    }
}

impl SharedMemory {
    /// From now on; nobody who has more is stopped for it.
    pub(crate) fn set_bytes_max(&self, bytes: usize) {
        self.bytes_max.store(bytes, Ordering::Relaxed);
    }

    pub fn bytes_max(&self) -> usize {
        self.bytes_max.load(Ordering::Relaxed)
    }

    #[cfg(test)]
    pub(crate) fn taken_bytes(&self) -> usize {
        self.taken.load(Ordering::Relaxed)
    }

    /// All of it or nothing.
    pub(super) fn take(&self, bytes: usize) -> bool {
        let most = self.bytes_max();
        let more = |taken: usize| taken.checked_add(bytes).filter(|sum| *sum <= most);
        self.taken.try_update(Ordering::Relaxed, Ordering::Relaxed, more).is_ok()
    }

    pub(super) fn give_back(&self, bytes: usize) {
        let less = |taken: usize| taken.saturating_sub(bytes);
        self.taken.update(Ordering::Relaxed, Ordering::Relaxed, less);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_takes_nothing_and_what_is_given_back_can_be_taken_again() {
        let memory = SharedMemory::default();
        memory.set_bytes_max(100);
        assert!(memory.take(60));
        assert!(!memory.take(41));
        assert!(!memory.take(usize::MAX));
        assert_eq!(memory.taken_bytes(), 60);
        assert!(memory.take(40));
        memory.give_back(60);
        assert!(memory.take(60));
        // Less than is taken already: nobody is stopped, nobody gets more.
        memory.set_bytes_max(50);
        assert!(!memory.take(1));
        assert_eq!(memory.taken_bytes(), 100);
    }
}
