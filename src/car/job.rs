//! Customer, vehicle and work done. Shown on reports, not used in calculations.

use serde::{Deserialize, Serialize};

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Job {
    /// Name and address of the shop, line by line.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub shop: Vec<String>,
    pub customer: Option<String>,
    pub vehicle: Option<String>,
    pub work_order: Option<String>,
    /// Parts that were installed.
    pub parts: Vec<String>,
    pub technician: Option<String>,
    pub remarks: Option<String>,
}

impl Job {
    pub fn is_empty(&self) -> bool {
        *self == Job::default()
    }

    /// Fills missing entries from `other`.
    pub fn or(self, other: Job) -> Job {
        Job {
            shop: if self.shop.is_empty() { other.shop } else { self.shop },
            customer: self.customer.or(other.customer),
            vehicle: self.vehicle.or(other.vehicle),
            work_order: self.work_order.or(other.work_order),
            parts: if self.parts.is_empty() { other.parts } else { self.parts },
            technician: self.technician.or(other.technician),
            remarks: self.remarks.or(other.remarks),
        }
    }
}
