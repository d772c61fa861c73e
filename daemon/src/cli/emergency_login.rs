//! What `idlegate checkup` finds out about the login of the connection for emergencies: whether it is let in, and
//! whether it is sent what it asks for.
//!
//! Some brokers grant every subscription, and then keep back what the access list does not allow. So what Idlegate's
//! own login is sent meanwhile on the topics of emergencies must reach this one, too; where nothing is said, nothing is
//! proved.

use std::collections::BTreeSet;
use std::time::Duration;

use super::short_connection::ShortConnection;
use idlegate_engine::emergency_topics;
use idlegate_guard::time::Moment;
use idlegate_os::Clock;
use idlegate_plan::Plan;
use idlegate_plan::event::Message;
use idlegate_plan::text::tame;
use idlegate_plan::topic::matches;
use idlegate_setup::checkup::Finding;

const PATIENCE: Duration = Duration::from_secs(6);
/// What Idlegate's own login was sent last may still be on its way to this one.
const LATECOMERS: Duration = Duration::from_millis(500);
const SHOWN_CHARS: usize = 60;
const REMEDY: &str = "Check user and password under [broker.emergency] in shop.toml, and the broker's access list. Until then red \
                      buttons share the main connection with everything else.";

pub(super) enum EmergencyLogin {
    /// The rules have none: both connections use the same.
    Same,
    Unusable(String),
    Listening(Box<Listening>),
}

pub(super) struct Listening {
    connection: ShortConnection,
    /// Where emergencies are declared.
    filters: Vec<String>,
    since: Moment,
    /// Topics.
    told_main: BTreeSet<String>,
    told_this: BTreeSet<String>,
}

impl EmergencyLogin {
    pub(super) async fn arrive(plan: &Plan) -> EmergencyLogin {
        let Some(login) = &plan.shop.broker.emergency_login else { return EmergencyLogin::Same };
        let mut other = plan.clone();
        other.shop.broker.login = Some(login.clone());
        // Beside the other one, which must not be pushed off the broker.
        other.shop.broker.client_id.push_str("-red");
        let filters: Vec<String> = emergency_topics(plan).into_iter().map(|(topic, _)| topic).collect();
        match ShortConnection::arrive(&other, &filters, PATIENCE).await {
            Err(error) => EmergencyLogin::Unusable(format!("{error:#}")),
            Ok(connection) => EmergencyLogin::Listening(Box::new(Listening {
                connection,
                filters,
                since: Clock.now().moment,
                told_main: BTreeSet::new(),
                told_this: BTreeSet::new(),
            })),
        }
    }

    pub(super) fn main_is_told(&mut self, message: &Message) {
        let EmergencyLogin::Listening(listening) = self else { return };
        let entered = Clock.now().moment - message.age;
        // What was said before this login listened is in the broker's store, or nobody's loss.
        let expected = message.retained || entered >= listening.since;
        if expected && listening.filters.iter().any(|filter| matches(filter, &message.topic)) {
            listening.told_main.insert(message.topic.to_string());
        }
    }

    /// Without waiting for more.
    pub(super) async fn hear(&mut self) {
        if let EmergencyLogin::Listening(listening) = self {
            listening.hear_for(Duration::ZERO).await;
        }
    }

    pub(super) async fn findings(self) -> Vec<Finding> {
        match self {
            EmergencyLogin::Same => Vec::new(),
            EmergencyLogin::Unusable(why) => {
                vec![Finding::fault("broker", format!("the login for emergencies: {why}"), REMEDY)]
            }
            EmergencyLogin::Listening(mut listening) => {
                listening.hear_for(LATECOMERS).await;
                let findings = listening.findings();
                listening.connection.leave().await;
                findings
            }
        }
    }
}

impl Listening {
    async fn hear_for(&mut self, span: Duration) {
        self.connection.wait_only(span);
        while let Some(message) = self.connection.hear().await {
            self.told_this.insert(message.topic.to_string());
        }
    }

    fn findings(&self) -> Vec<Finding> {
        let mut findings = Vec::new();
        for (filter, why) in self.connection.denied() {
            let found = format!("the login for emergencies is not allowed to read {filter}: {why}");
            findings.push(Finding::fault("broker", found, REMEDY));
        }
        for topic in self.told_main.difference(&self.told_this) {
            let topic = tame(topic, SHOWN_CHARS);
            let found = format!(
                "it does not send the login for emergencies what is published on {topic}, though it granted the subscription"
            );
            let remedy = "In the broker's access list, give that login the right to read it. Until then red buttons share the \
                          main connection with everything else.";
            findings.push(Finding::fault("broker", found, remedy));
        }
        if !findings.is_empty() {
            return findings;
        }
        let is_silent = |filter: &&String| !self.told_this.iter().any(|topic| matches(filter, topic));
        let silent: Vec<&str> = self.filters.iter().filter(is_silent).map(String::as_str).collect();
        vec![if silent.is_empty() {
            Finding::good("broker", "it lets the login for emergencies in, and read the red buttons")
        } else {
            Finding::note(
                "broker",
                format!(
                    "it lets the login for emergencies in; not tried whether it sends that login what is published on {}, \
                     since nothing was published there",
                    silent.join(", ")
                ),
                "Some brokers grant every subscription and then send nothing. Press the red button while checkup listens, at a \
                 time when its machines may go off.",
            )
        }]
    }
}
