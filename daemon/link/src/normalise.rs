//! From all the filters that are wanted to those the broker is asked for.

use std::collections::BTreeMap;

use super::Purpose;
use idlegate_plan::topic::{Filter, covers, has_wildcard};

/// The smallest set that matches the same topics: every filter that another one covers is left out.
///
/// A filter that stays takes over the stronger kind of those it replaces: [`Purpose::State`] before
/// [`Purpose::Input`], so that no outlet state is missed. A stored message then arrives on an input's topic as
/// well, marked as retained, and is dropped there because of that mark. Two filters may still share some topics
/// without one covering the other (`a/+/c` and `a/b/+`); the connection sorts out those copies by the
/// subscription's number. State filters come first, since the first to match a topic is the one that counts.
///
/// A large shop wants thousands of filters, nearly all of them plain topics, which cover nothing but themselves: only
/// those with wildcards are compared with others. New rules are taken by the thread that serves the red buttons.
pub(super) fn normalise(wanted: &[(Filter, Purpose)]) -> Vec<(Filter, Purpose)> {
    let (wild, plain): (Vec<_>, Vec<_>) =
        wanted.iter().cloned().partition(|(filter, _)| has_wildcard(filter.as_str()));
    let mut kept = widest(wild);
    let mut alone: BTreeMap<Filter, Purpose> = BTreeMap::new();
    for (filter, kind) in plain {
        let wide = kept.iter_mut().find(|(wide, _)| covers(wide.as_str(), filter.as_str()));
        let of_it = match wide {
            Some((_, of_wide)) => of_wide,
            None => alone.entry(filter).or_insert(kind),
        };
        *of_it = (*of_it).max(kind);
    }
    kept.extend(alone);
    kept.sort_by(|(a, of_a), (b, of_b)| of_b.cmp(of_a).then(a.cmp(b)));
    kept
}

/// Those that no other one covers.
fn widest(filters: Vec<(Filter, Purpose)>) -> Vec<(Filter, Purpose)> {
    let mut kept: Vec<(Filter, Purpose)> = Vec::new();
    for (filter, mut kind) in filters {
        if let Some((_, of_wide)) = kept.iter_mut().find(|(wide, _)| covers(wide.as_str(), filter.as_str())) {
            *of_wide = (*of_wide).max(kind);
            continue;
        }
        kept.retain(|(other, of_other)| {
            let superfluous = covers(filter.as_str(), other.as_str());
            if superfluous {
                kind = kind.max(*of_other);
            }
            !superfluous
        });
        kept.push((filter, kind));
    }
    kept
}
