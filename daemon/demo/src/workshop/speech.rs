//! Which topics the workshop's outlets and meters use, and what they say there: the models on one side, messages
//! on the other, and no broker in between.

use super::birch_lane::Dialect;
use super::station::{Said, Saying, Workshop};

/// A message of an outlet or a meter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spoken {
    pub topic: String,
    pub payload: String,
    /// State is for latecomers, too; a reading is for now.
    pub retained: bool,
}

/// Where every outlet takes its orders.
pub(crate) const ORDERS: &str = "outlets/+/order";

/// Puts into a message what was said. One dialect for each station, in their order.
pub fn speak(workshop: &Workshop, dialects: &[Dialect], saying: &Saying) -> Spoken {
    let outlet = workshop.stations()[saying.station].outlet_name;
    let dialect = dialects[saying.station];
    match saying.what {
        Said::State(switch) => Spoken {
            topic: format!("outlets/{outlet}/says"),
            payload: dialect.state.write(switch),
            retained: true,
        },
        Said::Reading(sample) => Spoken {
            topic: format!("meters/{outlet}"),
            payload: dialect.meter.write(outlet, sample),
            retained: false,
        },
    }
}

/// Lets the outlet that an order is for obey it. Whatever is no order to one of them is no concern of theirs.
pub fn obey(workshop: &mut Workshop, dialects: &[Dialect], topic: &str, payload: &[u8]) {
    let now = workshop.now();
    let takes = |outlet: &str| format!("outlets/{outlet}/order") == topic;
    let Some(index) = workshop.stations().iter().position(|station| takes(station.outlet_name)) else {
        return;
    };
    let machine = workshop.stations()[index].machine;
    if let Some(switch) = dialects[index].state.read_order(payload)
        && let Some(station) = workshop.station_mut(machine)
    {
        station.outlet.order(switch, now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workshop::birch_lane::{DIALECTS, workshop};
    use idlegate_guard::Switch;
    use idlegate_guard::time::Moment;

    #[test]
    fn an_order_reaches_its_own_outlet_in_its_own_words() {
        let mut shop = workshop(1);
        shop.advance(Moment(1_000));
        for (topic, payload) in [
            ("outlets/extractor/order", &b"off"[..]),
            ("outlets/mill/says", b"off"),
            ("outlets/nowhere/order", b"off"),
        ] {
            obey(&mut shop, &DIALECTS, topic, payload);
        }
        obey(&mut shop, &DIALECTS, "outlets/laser/order", b"off");
        let sayings = shop.advance(Moment(2_000));
        let off = |station: &&super::super::Station| station.outlet.relay() == Switch::Off;
        let dark: Vec<_> = shop.stations().iter().filter(off).map(|station| station.machine).collect();
        assert_eq!(dark, ["laser-cutter"]);
        let spoken: Vec<_> = sayings.iter().map(|saying| speak(&shop, &DIALECTS, saying)).collect();
        let report = Spoken { topic: "outlets/laser/says".into(), payload: "off".into(), retained: true };
        assert_eq!(spoken.iter().filter(|spoken| spoken.retained).collect::<Vec<_>>(), [&report]);
    }
}
