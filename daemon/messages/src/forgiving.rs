//! Lists as they are read: one element that is not what it should be does not hide the others.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer};
use serde_json::Value as Json;

/// Those elements that can be read, in their order.
pub(crate) fn elements<'de, D, T>(list: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: DeserializeOwned,
{
    let elements = Vec::<Json>::deserialize(list)?;
    Ok(elements.iter().filter_map(|element| T::deserialize(element).ok()).collect())
}

/// Where the place in the list says what an element is about: one that cannot be read is nothing, and keeps its place.
pub(crate) fn places<'de, D, T>(list: D) -> Result<Vec<Option<T>>, D::Error>
where
    D: Deserializer<'de>,
    T: DeserializeOwned,
{
    let elements = Vec::<Json>::deserialize(list)?;
    Ok(elements.iter().map(|element| T::deserialize(element).ok()).collect())
}

#[cfg(test)]
mod tests {
    use crate::{Decision, Energy, Guarding, MachineStatus, Quantity, Told, read};

    #[test]
    fn a_detector_that_cannot_be_read_does_not_hide_the_others() {
        let odd = br#"{"detectors":[{"detector":"draw","state":"busy"},{"detector":7},
            {"detector":"heat","state":"idle","readings":[{"signal":"bed","value":61.5},null,{"signal":"hood","age_s":"old"},
            {"signal":"word","value":"printing"}]},"what?"]}"#;
        let decision: Decision = read(odd).unwrap();
        let said: Vec<_> = decision.detectors.iter().map(|one| (&*one.detector, &*one.state)).collect();
        assert_eq!(said, [("draw", "busy"), ("heat", "idle")]);
        let readings = &decision.detectors[1].readings;
        let read: Vec<_> = readings.iter().map(|reading| (&*reading.signal, reading.value.clone())).collect();
        assert_eq!(
            read,
            [("bed", Quantity::number(61.5)), ("word", Some(Quantity::Text("printing".to_owned())))]
        );
    }

    #[test]
    fn nor_does_a_reason_a_signal_or_a_name() {
        let odd = br#"{"reasons":["118 W",7,"hot"],"incidents":[[],"not-confirmed"],
            "signals":[{"signal":"power","value":3},{"signal":{}}]}"#;
        let status: MachineStatus = read(odd).unwrap();
        assert_eq!((status.reasons.join("; "), status.incidents.len()), ("118 W; hot".to_owned(), 1));
        assert_eq!(status.signals.len(), 1);
        let told: Told = read(br#"{"machines":["mill",null,"kiln"]}"#).unwrap();
        assert_eq!(told.machines, ["mill", "kiln"]);
        let health: Guarding =
            read(br#"{"detectors_stopped":[{"machine":"mill"},5],"reload":{"problems":["a",1]}}"#).unwrap();
        assert_eq!(health.detectors_stopped.len(), 1);
        assert_eq!(health.reload.unwrap().problems, ["a"]);
    }

    #[test]
    fn every_minute_keeps_its_place() {
        let energy: Energy = read(br#"{"joules":[60.5,"much",null,7]}"#).unwrap();
        assert_eq!(energy.joules, [Some(60.5), None, None, Some(7.0)]);
    }

    #[test]
    fn what_is_no_list_is_an_empty_one() {
        let decision: Decision = read(br#"{"decision":"held","detectors":{"detector":"draw"}}"#).unwrap();
        assert_eq!((&*decision.decision, decision.detectors.len()), ("held", 0));
    }
}
