//! Where the person at an input is, as far as the rules know.

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// Sees the machine, and can lay a hand on it.
    Beside,
    /// Somewhere in the workshop: hears what is announced there.
    Shop,
    /// Anywhere else: hears nothing but the answer to their own request.
    Remote,
}

impl Place {
    pub const ALL: [Place; 3] = [Place::Beside, Place::Shop, Place::Remote];

    /// The word used in rules and documents.
    pub const fn word(self) -> &'static str {
        match self {
            Place::Beside => "beside",
            Place::Shop => "shop",
            Place::Remote => "remote",
        }
    }

    pub fn from_word(word: &str) -> Option<Place> {
        Place::ALL.into_iter().find(|place| place.word() == word)
    }

    pub(super) const fn index(self) -> usize {
        match self {
            Place::Beside => 0,
            Place::Shop => 1,
            Place::Remote => 2,
        }
    }
}

/// Any of the places.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Places {
    bits: u8,
}

impl Places {
    pub const NONE: Places = Places { bits: 0 };
    pub const BESIDE: Places = Places::NONE.and(Place::Beside);
    pub const ALL: Places = Places::BESIDE.and(Place::Shop).and(Place::Remote);

    #[must_use]
    pub const fn and(self, place: Place) -> Places {
        Places { bits: self.bits | 1 << place.index() }
    }

    pub const fn contains(self, place: Place) -> bool {
        self.bits & 1 << place.index() != 0
    }

    pub const fn is_empty(self) -> bool {
        self.bits == 0
    }
}

impl FromIterator<Place> for Places {
    fn from_iter<I: IntoIterator<Item = Place>>(places: I) -> Places {
        places.into_iter().fold(Places::NONE, Places::and)
    }
}
