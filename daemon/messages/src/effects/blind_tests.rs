use super::*;
use idlegate_guard::time::{Now, WallTime};
use idlegate_plan::event::Name;

fn spot(kind: Blindness, title: &str) -> BlindSpot {
    let name = title.to_lowercase().replace(' ', "-");
    BlindSpot {
        kind,
        of: (!title.is_empty()).then(|| (Name::new(&name).unwrap(), title.into())),
        part: (kind != Blindness::OutletUnreachable).then(|| Name::new("power").unwrap()),
        one_of_several: false,
        since: WallTime(0),
        lasted: Span::secs(603),
        why: Some("455 W".into()),
        meanwhile: Consequence::OffHeld,
    }
}

fn said(spots: Vec<BlindSpot>, over: bool) -> String {
    let told = BlindSpotsTold { at: Now::default(), spots, urgent: false, over };
    blind_spots(&told, &BTreeMap::new())
}

#[test]
fn people_hear_what_is_not_seen_and_what_that_means() {
    let mill = |kind| said(vec![spot(kind, "Mill")], false);
    assert_eq!(
        mill(Blindness::MeterSilent),
        "Mill: its meter has been silent for 10 min. Until it is back, off is held and only a force gets through."
    );
    assert_eq!(
        mill(Blindness::MeterStuck),
        "Mill: its meter has read exactly 455 W for 10 min and may be stuck. Until it moves, off is held and only a force \
         gets through."
    );
    assert_eq!(said(vec![spot(Blindness::MeterSilent, "Mill")], true), "Mill: its meter speaks again.");
    let heat = BlindSpot {
        part: Some(Name::new("heat").unwrap()),
        one_of_several: true,
        meanwhile: Consequence::NothingElse,
        ..spot(Blindness::MeterSilent, "Kiln")
    };
    assert_eq!(said(vec![heat], false), "Kiln: its signal heat has been silent for 10 min.");
}

#[test]
fn several_at_once_are_one_announcement_with_a_sentence_for_each_kind() {
    let spots = vec![
        spot(Blindness::OutletUnreachable, "Saw"),
        spot(Blindness::MeterSilent, "Kiln"),
        spot(Blindness::MeterSilent, "Mill"),
    ];
    assert_eq!(
        said(spots.clone(), false),
        "Saw: its outlet has been out of reach for 10 min. Until it is back, an off may not get through, not even an \
         emergency off. If it has to be switched off, go there. Kiln and Mill: their meters have been silent for 10 min. Until \
         they are back, off is held there and only a force gets through."
    );
    assert_eq!(
        said(spots, true),
        "Saw: its outlet is in reach again. Kiln and Mill: their meters speak again."
    );
}

#[test]
fn nobody_listens_to_a_whole_hall() {
    let hall = |kind| (0..40).map(|nth| spot(kind, &format!("Mill {nth}"))).collect::<Vec<_>>();
    let silent = said(hall(Blindness::MeterSilent), false);
    assert!(silent.contains("Mill 6 and 33 others: their meters"), "{silent}");
    let stuck = said(hall(Blindness::MeterStuck), false);
    assert!(stuck.ends_with("And 32 more: see idlegate status."), "{stuck}");
}

#[test]
fn every_kind_has_its_sentences_or_an_incident_of_its_own() {
    for kind in Blindness::ALL.iter().copied() {
        let [begun, over] = [false, true].map(|over| said(vec![spot(kind, "Mill")], over));
        assert_eq!(begun.is_empty(), kind.has_own_incident(), "{kind:?}");
        assert_eq!(over.is_empty(), kind.has_own_incident(), "{kind:?}");
        assert!(begun.is_empty() || begun != over, "{begun}");
        assert!(!begun.contains('{') && !over.contains('{'), "{begun} {over}");
    }
}
