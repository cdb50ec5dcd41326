//! Advisories: what people should plan before it becomes an alarm. One a rule and stratum; said again, it
//! updates; only a person closes it.

use crate::ahead::Left;
use crate::hold::Origin;
use crate::names::{AdvisoryId, RoleName, RuleName};
use crate::time::Timestamp;
use alloc::collections::BTreeMap;
use alloc::string::String;
use serde::{Deserialize, Serialize};

/// One open advisory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Advisory {
    /// The cause, as a topic level: rule, role and stratum.
    pub id: AdvisoryId,
    /// The record that last changed it.
    pub seq: u64,
    /// Who should plan.
    pub role: RoleName,
    /// Which rule gives it.
    pub rule: RuleName,
    /// What it came from, so that the same thing said again updates it.
    pub origin: Origin,
    /// What to plan, in the rule's words.
    pub text: String,
    /// What it is about: station, characteristic, stratum.
    pub of: BTreeMap<String, String>,
    /// Since when.
    pub since: Timestamp,
    /// Where the rule's chart stood when this text was first said, where the rule has just one; with its unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// The chart's limit on that side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<String>,
    /// How fast the mean goes, in the characteristic's unit per piece of the stratum; where the chart looks ahead and
    /// the slope is no chance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate: Option<String>,
    /// Pieces of the stratum until the mean is at the tolerance limit on that side.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left: Option<Left>,
}
