//! Indices into the lists of a plan, each of a kind of its own: a signal's cannot look up a machine.

use std::marker::PhantomData;
use std::ops::{Deref, DerefMut, Index, IndexMut};

use super::{DetectorUse, Group, Input, Machine, Signal};

/// A kind of index.
pub trait Ix: Copy {
    fn of(at: usize) -> Self;
    fn at(self) -> usize;
}

/// What stands in a list of the plan.
pub trait Listed {
    type Ix: Ix;
}

macro_rules! index {
    ($(#[$doc:meta])* $name:ident, $listed:ty) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub usize);

        impl Ix for $name {
            fn of(at: usize) -> $name {
                $name(at)
            }

            fn at(self) -> usize {
                self.0
            }
        }

        impl Listed for $listed {
            type Ix = $name;
        }

        impl Index<$name> for Vec<$listed> {
            type Output = $listed;

            fn index(&self, index: $name) -> &$listed {
                &self[index.0]
            }
        }

        impl IndexMut<$name> for Vec<$listed> {
            fn index_mut(&mut self, index: $name) -> &mut $listed {
                &mut self[index.0]
            }
        }
    };
}

index!(
    /// Into [`Plan::machines`](super::Plan::machines).
    MachineIx,
    Machine
);
index!(
    /// Into [`Plan::groups`](super::Plan::groups).
    GroupIx,
    Group
);
index!(
    /// Into [`Plan::inputs`](super::Plan::inputs).
    InputIx,
    Input
);
index!(
    /// Into the signals of one machine.
    SignalIx,
    Signal
);
index!(
    /// Into the detectors of one machine.
    DetectorIx,
    DetectorUse
);

/// Each with its index.
pub fn indexed<T: Listed>(list: &[T]) -> impl DoubleEndedIterator<Item = (T::Ix, &T)> {
    list.iter().enumerate().map(|(at, listed)| (T::Ix::of(at), listed))
}

/// The indices of a list of the plan.
pub fn indices<T: Listed>(list: &[T]) -> impl Iterator<Item = T::Ix> + use<T> {
    (0..list.len()).map(T::Ix::of)
}

/// What somebody knows of each machine, signal or detector, in the order of the plan. Only their own indices look it
/// up.
#[derive(Clone, Debug)]
pub struct Table<I, T>(Vec<T>, PhantomData<I>);

impl<I: Ix, T> Table<I, T> {
    pub fn push(&mut self, entry: T) {
        self.0.push(entry);
    }

    pub fn clear(&mut self) {
        self.0.clear();
    }

    pub fn retain(&mut self, keep: impl FnMut(&T) -> bool) {
        self.0.retain(keep);
    }

    pub fn indices(&self) -> impl Iterator<Item = I> + use<I, T> {
        (0..self.0.len()).map(I::of)
    }

    pub fn get(&self, index: I) -> Option<&T> {
        self.0.get(index.at())
    }

    pub fn get_mut(&mut self, index: I) -> Option<&mut T> {
        self.0.get_mut(index.at())
    }
}

impl<I, T> Default for Table<I, T> {
    fn default() -> Table<I, T> {
        Table(Vec::new(), PhantomData)
    }
}

impl<I, T> FromIterator<T> for Table<I, T> {
    fn from_iter<E: IntoIterator<Item = T>>(entries: E) -> Table<I, T> {
        Table(entries.into_iter().collect(), PhantomData)
    }
}

impl<I, T> IntoIterator for Table<I, T> {
    type Item = T;
    type IntoIter = std::vec::IntoIter<T>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter()
    }
}

impl<I, T> Deref for Table<I, T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &self.0
    }
}

impl<I, T> DerefMut for Table<I, T> {
    fn deref_mut(&mut self) -> &mut [T] {
        &mut self.0
    }
}

impl<I: Ix, T> Index<I> for Table<I, T> {
    type Output = T;

    fn index(&self, index: I) -> &T {
        &self.0[index.at()]
    }
}

impl<I: Ix, T> IndexMut<I> for Table<I, T> {
    fn index_mut(&mut self, index: I) -> &mut T {
        &mut self.0[index.at()]
    }
}
