//! What a shop's people ask on the day after: why was it held, what followed, what did it do? Told from the journal that a
//! guard has written while it worked.

use anyhow::Result;
use idlegate::account::{Which, episodes, words};
use idlegate::event::Name;
use idlegate::journal::{Kind, Query, Reader};
use idlegate::report::{Period, Terms, ledger};
use idlegate::service::JOURNAL_FILE;
use idlegate::time::WallTime;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::shop::{Guard, Mill, plan};
use jiff::tz::TimeZone;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_held_and_forced_off_is_told_from_the_journal() -> Result<()> {
    let broker = Mosquitto::start()?;
    let state = tempfile::tempdir()?;
    let guard = Guard::start(plan(broker.port())?, Some(state.path().to_path_buf()))?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("800", "busy").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.decision().await?["decision"], "held");
    // A force sooner than a second after the press would belong to it.
    tokio::time::sleep(std::time::Duration::from_millis(1_200)).await;
    mill.client.publish("meters/mill", "800").await?;
    mill.gesture("long-press").await?;
    mill.order().await?;
    mill.outlet_is("off").await?;
    guard.stop().await?;

    let reader = Reader::open(&state.path().join(JOURNAL_FILE))?;
    let name = Name::new("mill")?;
    let told = episodes(&reader, Some(&name), Which::Last(2))?;
    let held = words(&told[0], &TimeZone::UTC);
    for part in [
        "button asked for off (press).",
        "The outlet was on, and the machine counted as busy.",
        "power-threshold said busy: 800 W, busy above 100 W",
        "power 800.0 W, read ",
        "Decision: held (machine-busy).",
        "button asked for force-off (long-press): acted (forced-in-window)",
        "the order off (forced) was sent",
        "the outlet reported off",
    ] {
        assert!(held.contains(part), "{part:?} is missing from:\n{held}");
    }

    let energy = Query { kinds: vec![Kind::Energy], ..Query::default() };
    assert!(reader.records(&energy).count() > 0, "what the mill drew is on record when the guard ends");
    let period = Period { from: WallTime(0), to: WallTime(i64::MAX / 2) };
    let sums = ledger(&reader, &Terms { period, machine: Some(name), tariff: None })?;
    let sum = &sums.machines[0];
    assert_eq!((sum.held, sum.forced, sum.jobs.len()), (1, 1, 1));
    assert!(sum.joules > 0.0 && sum.working > idlegate::time::Span::ZERO);
    Ok(())
}
