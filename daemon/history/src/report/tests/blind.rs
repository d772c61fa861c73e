use super::*;

fn told(minute: i64, over: bool, kind: &str, since: i64) -> Record {
    let spot = json!({ "kind": kind, "machine": "printer", "signal": "power", "since": rfc3339(at(since)) });
    let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
    record(minute, kind, json!({ "kind": "blind", "over": over, "blind": [spot] }))
}

#[test]
fn what_could_not_be_seen_is_summed_up_by_kind_within_the_time_of_the_report() {
    let mut records = vec![record(-30, RecordKind::Start, json!({}))];
    records.push(told(-20, false, "meter-silent", -30));
    records.push(told(10, true, "meter-silent", -30));
    records.push(told(30, false, "meter-silent", 20));
    records.push(told(50, true, "meter-silent", 20));
    records.push(told(100, false, "outlet-unreachable", 95));
    records.push(record(119, RecordKind::Stop, json!({})));
    let ledger = ledger_of(records, None);
    let blind = &ledger.machines[0].blind;
    let of = |kind: &str| (blind[kind].times, blind[kind].lasted);
    assert_eq!(of("meter-silent"), (2, Span::secs(40 * 60)), "of the first only what is inside");
    assert_eq!(of("outlet-unreachable"), (1, Span::secs(25 * 60)), "it went on until nobody looked any more");
    let words = words(&ledger, &TimeZone::UTC);
    assert!(
        words.contains(
            "Idlegate could not see it: meter-silent 2 times, 40 min; outlet-unreachable 1 time, 25 min"
        ),
        "{words}"
    );
    assert_eq!(super::json(&ledger, &TimeZone::UTC)["machines"][0]["blind"][0]["times"], 2);
}
