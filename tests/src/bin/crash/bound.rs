//! More requests in one life than are remembered of an input: killed by kill -9, the guard still knows the newest of
//! them, and all that another input asked before. Only what was sent and answered counts, never how long it took.

use std::collections::HashMap;

use super::*;

/// As operators are promised.
const REMEMBERED: usize = 4_096;
/// So many more are answered.
const BEYOND: usize = 100;
const OF_THE_OTHER: usize = 100;
/// Fewer than the guard and the link let wait.
const AT_A_TIME: usize = 50;
/// Of each kind an input is heard 20 times a second, and 40 times at once. So it asks for each of these in turn, which
/// switch nothing.
const IN_TURN: [Ask; 5] = [Ask::Lock, Ask::On, Ask::OffOnceIdle, Ask::Cancel, Ask::Unlock];
const EACH: Duration = Duration::from_micros(10_500);
/// What a busy computer delays by no more than this is caught up with.
const CAUGHT_UP: Duration = Duration::from_secs(1);
/// Of those that are to be known the oldest are asked about one by one, and of the others one in so many.
const OLDEST: usize = 200;
const ONE_IN: usize = 16;

/// What is counted of it.
pub(crate) struct Beyond {
    pub(crate) answered: usize,
    pub(crate) asked_about: usize,
    pub(crate) known: usize,
    pub(crate) of_the_other: usize,
    pub(crate) faults: Vec<String>,
}

pub(crate) async fn beyond_the_bound(seed: u64) -> Result<Beyond> {
    let dir = tempfile::tempdir()?;
    let broker = Mosquitto::start()?;
    let mut shop = Shop::begin(dir.path(), broker.port(), seed).await?;
    let guard = shop.start().await?;
    let other = shop.asks_for("panel", OF_THE_OTHER).await?;
    let flood = shop.asks_for("console", REMEMBERED + BEYOND).await?;
    // By kill -9.
    drop(guard);
    let guard = shop.start().await?;
    let (oldest, others) = flood[flood.len() - REMEMBERED..].split_at(OLDEST);
    let newest: Vec<String> = oldest.iter().chain(others.iter().rev().step_by(ONE_IN)).cloned().collect();
    let (known, of_the_other) = (shop.known("console", &newest).await?, shop.known("panel", &other).await?);
    for (input, known, of) in [("console", known, newest.len()), ("panel", of_the_other, other.len())] {
        if known < of {
            shop.faults
                .push(format!("of {of} ids of {input} that are to be known only {known} are after kill -9"));
        }
    }
    if shop.known("console", &flood[..1]).await? > 0 {
        shop.faults.push(format!("{} ids are remembered, more than there is room for", flood.len()));
    }
    drop(guard);
    Ok(Beyond { answered: flood.len(), asked_about: newest.len(), known, of_the_other, faults: shop.faults })
}

impl Shop {
    async fn start(&mut self) -> Result<Process> {
        let guard = Process::start(&self.rules, &self.state)?;
        self.until_online().await?;
        Ok(guard)
    }

    /// Asks at this input until more than so many requests have been answered. The last was answered as stored, so all
    /// before it are, too. Their ids, in the order of asking.
    async fn asks_for(&mut self, input: &str, count: usize) -> Result<Vec<String>> {
        let mut ids: Vec<String> = Vec::new();
        while ids.len() < count {
            let more: Vec<String> =
                (ids.len()..count + AT_A_TIME).map(|number| format!("{input}-{number}")).collect();
            let answers = self.answers(input, &more).await?;
            // One that had to wait for too long on a busy computer is answered, but changes nothing that must be
            // stored.
            let stored = answers.iter().rposition(|answer| answer["stored"] == true);
            ids.extend(more.into_iter().take(stored.map_or(0, |last| last + 1)));
        }
        Ok(ids)
    }

    /// How many of these are still known.
    async fn known(&mut self, input: &str, ids: &[String]) -> Result<usize> {
        let answers = self.answers(input, ids).await?;
        Ok(answers.iter().filter(|answer| answer["reason"] == "duplicate").count())
    }

    /// Asks with each of these ids; the answers in the same order.
    async fn answers(&mut self, input: &str, ids: &[String]) -> Result<Vec<Json>> {
        let mut answers: HashMap<Bytes, Json> = HashMap::new();
        let mut next = Instant::now();
        for (number, (id, what)) in ids.iter().zip(IN_TURN.into_iter().cycle()).enumerate() {
            let now = Instant::now();
            next = next.max(now.checked_sub(CAUGHT_UP).unwrap_or(now));
            tokio::time::sleep(next.saturating_duration_since(now)).await;
            next += EACH;
            self.send(input, &Asked { id: id.clone(), what, answer: None }).await?;
            while number - answers.len().min(number) >= AT_A_TIME {
                self.hear_answer(&mut answers).await?;
            }
        }
        while answers.len() < ids.len() {
            self.hear_answer(&mut answers).await?;
        }
        ids.iter().map(|id| answers.remove(id.as_bytes()).context("answered twice, or to nobody")).collect()
    }

    async fn hear_answer(&mut self, answers: &mut HashMap<Bytes, Json>) -> Result<()> {
        let until = Instant::now() + DEADLINE;
        while let Some(message) = self.hear(until).await? {
            let is_answer = super::is_answer(&message);
            let correlation = message.properties.and_then(|properties| properties.correlation_data);
            if let Some(id) = correlation.filter(|_| is_answer) {
                answers.insert(id, serde_json::from_slice(&message.payload)?);
                return Ok(());
            }
        }
        bail!("a request is not answered")
    }
}
