//! Which events have been answered, by the engine's own clock: an id is forgotten a day after its answer, one of a
//! sender that counts after two minutes, whatever the wall clock does meanwhile.

use std::sync::Arc;

use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::answered::{AGE_MAX, AnsweredId, COUNTER_AGE_MAX, NewestIds};
use idlegate_plan::event::Name;
use idlegate_plan::{EventId, InputSource, Plan};

/// Each id with the moment from which it is forgotten, if it is no counter's.
#[derive(Debug, Default)]
pub(super) struct Answered(NewestIds<Moment>);

/// For how long the ids of an input are known again.
pub(super) fn age_max(plan: &Plan, input: &Name) -> Span {
    let source = plan.input(input.as_str()).map(|(_, input)| &input.source);
    match source {
        Some(InputSource::Topic { event_id: Some(EventId { counter: true, .. }), .. }) => COUNTER_AGE_MAX,
        Some(
            InputSource::Topic { .. }
            | InputSource::Contact(_)
            | InputSource::RequestTopic
            | InputSource::Schedule(_),
        )
        | None => AGE_MAX,
    }
}

impl Answered {
    pub(super) fn new(former: &[AnsweredId], now: Now) -> Answered {
        let mut answered = Answered::default();
        answered.recall(former, now);
        answered
    }

    /// How long ago this id was noted, if it was known already.
    pub(super) fn note(&mut self, input: &Name, id: &Arc<str>, age_max: Span, now: Moment) -> Option<Span> {
        self.0.forget(input, |until| *until <= now);
        let left = self.0.about(input, id).map(|until| until.since(now));
        let age = left.map(|left| Span(AGE_MAX.0.saturating_sub(left.0))).filter(|age| *age < age_max);
        if age.is_none() {
            self.0.put(input, id, now + AGE_MAX);
        }
        age
    }

    /// Ids of a former run, the oldest of each input first. Those that were noted since are newer.
    pub(super) fn recall(&mut self, former: &[AnsweredId], now: Now) {
        self.0.prepend(former.iter().map(|answered| {
            // A wall clock that was set back makes nothing older than it is.
            let age = u64::try_from(now.wall.0.saturating_sub(answered.at.0)).unwrap_or(0);
            let left = Span(AGE_MAX.0.saturating_sub(age));
            (answered.input.clone(), answered.id.clone(), now.moment + left)
        }));
    }

    /// Of inputs, too, that nobody uses any more.
    pub(super) fn forget_old(&mut self, now: Moment) {
        self.0.forget_everywhere(|until| *until <= now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::WallTime;
    use idlegate_plan::answered::OF_EACH_INPUT_MAX;

    fn name(text: &str) -> Name {
        Name::new(text).unwrap()
    }

    fn noted(answered: &mut Answered, input: &str, id: usize, now: u64) -> bool {
        answered.note(&name(input), &id.to_string().into(), AGE_MAX, Moment(now)).is_none()
    }

    #[test]
    fn an_id_counts_once_for_each_input_and_a_flood_of_another_does_not_push_it_out() {
        let mut answered = Answered::default();
        assert!(noted(&mut answered, "panel", 0, 0));
        for id in 0..OF_EACH_INPUT_MAX + 1 {
            assert!(noted(&mut answered, "button", id, 1), "{id}");
        }
        assert!(!noted(&mut answered, "panel", 0, 2));
        assert!((1..OF_EACH_INPUT_MAX + 1).all(|id| !noted(&mut answered, "button", id, 2)));
        assert!(noted(&mut answered, "button", 0, 2), "pushed out by as many newer ones of its own input");
    }

    #[test]
    fn an_id_is_forgotten_after_a_day_and_asking_again_does_not_prolong_it() {
        let mut answered = Answered::default();
        assert!(noted(&mut answered, "button", 7, 1_000));
        assert!(!noted(&mut answered, "button", 7, 1_000 + AGE_MAX.0 - 1));
        assert!(noted(&mut answered, "button", 7, 1_000 + AGE_MAX.0));
    }

    #[test]
    fn an_id_of_a_sender_that_counts_is_heard_again_after_two_minutes() {
        let mut answered = Answered::default();
        let mut noted = |now| answered.note(&name("button"), &"7".into(), COUNTER_AGE_MAX, Moment(now));
        assert_eq!(noted(1_000), None);
        assert_eq!(noted(1_000 + COUNTER_AGE_MAX.0 - 1), Some(Span(COUNTER_AGE_MAX.0 - 1)));
        assert_eq!(noted(1_000 + COUNTER_AGE_MAX.0), None, "the battery was changed");
        assert_eq!(noted(1_001 + COUNTER_AGE_MAX.0), Some(Span(1)), "and from then on it is known again");
    }

    #[test]
    fn a_day_goes_on_across_a_restart() {
        let day = i64::try_from(AGE_MAX.0).unwrap();
        let id = |id: &str, at| AnsweredId { input: name("button"), id: id.into(), at: WallTime(at) };
        let now = Now { moment: Moment(5), wall: WallTime(day) };
        let former = [id("1", 0), id("2", 1_000), id("3", day + 60_000)];
        let known_at = |moment| {
            let mut answered = Answered::new(&former, now);
            [1, 2, 3].map(|id| !noted(&mut answered, "button", id, moment))
        };
        assert_eq!(known_at(5), [false, true, true]);
        assert_eq!(known_at(5 + 1_000), [false, false, true]);
        assert_eq!(known_at(5 + AGE_MAX.0 - 1), [false, false, true], "a clock that was set back");
        assert_eq!(known_at(5 + AGE_MAX.0), [false; 3]);
    }

    #[test]
    fn ids_that_are_read_late_push_out_none_that_came_since() {
        let mut answered = Answered::default();
        assert!(noted(&mut answered, "button", 99_999, 0));
        let former: Vec<_> = (0..OF_EACH_INPUT_MAX).map(|id| id.to_string().into()).collect();
        let former = former.into_iter().map(|id| AnsweredId { input: name("button"), id, at: WallTime(0) });
        answered.recall(&former.collect::<Vec<_>>(), Now { moment: Moment(1), wall: WallTime(0) });
        assert!(!noted(&mut answered, "button", 99_999, 2));
        assert!(!noted(&mut answered, "button", OF_EACH_INPUT_MAX - 1, 2));
    }
}
