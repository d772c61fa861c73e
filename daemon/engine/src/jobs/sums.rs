//! What a job has drawn, and what that costs.

const JOULES_PER_KWH: f64 = 3_600_000.0;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Drawn {
    /// Nothing for a machine without a meter.
    pub(super) joules: Option<f64>,
    pub(super) watts_max: f64,
    /// Nothing without a meter or a tariff.
    pub(super) cost: Option<f64>,
}

impl Drawn {
    pub(super) fn nothing(has_meter: bool, has_tariff: bool) -> Drawn {
        let cost = (has_meter && has_tariff).then_some(0.0);
        Drawn { joules: has_meter.then_some(0.0), watts_max: 0.0, cost }
    }

    pub(super) fn add(&mut self, joules: f64, price: Option<f64>) {
        if let Some(sum) = &mut self.joules {
            *sum += joules;
        }
        if let (Some(cost), Some(price)) = (&mut self.cost, price) {
            *cost += joules / JOULES_PER_KWH * price;
        }
    }
}
