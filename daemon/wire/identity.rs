//! What a message goes by: its `id`, else `epoch` and `seq`; what has neither goes by a digest.

use crate::json::{self, Members};
use chargehand_core::SourceCount;
use serde_json::value::RawValue;

/// What a message goes by: in its key, and in answers.
pub(crate) struct Identity {
    pub key: String,
    pub input: String,
}

/// `id`, else `epoch` and `seq`; none where the message has neither.
pub(crate) fn identity(members: &Members<'_>) -> Option<Identity> {
    identity_of(
        members.find("id"),
        members.find("epoch"),
        members.find("seq"),
    )
}

pub(crate) fn identity_of(
    id: Option<&RawValue>,
    epoch: Option<&RawValue>,
    seq: Option<&RawValue>,
) -> Option<Identity> {
    if let Some(id) = id.and_then(|id| json::name(id).ok()) {
        return Some(Identity {
            key: format!("i:{id}"),
            input: id.into_owned(),
        });
    }
    let epoch = json::name(epoch?).ok()?;
    let seq = json::whole(seq?)?;
    Some(Identity {
        key: format!("e:{epoch}/{seq}"),
        input: format!("{epoch}/{seq}"),
    })
}

/// The source's own count, also where the message goes by its `id`; one without `epoch` is one count.
pub(crate) fn count(members: &Members<'_>) -> Option<SourceCount> {
    let epoch = members.find("epoch").map(json::name).transpose().ok()?;
    let seq = json::whole(members.find("seq")?)?;
    Some(SourceCount {
        epoch: epoch.unwrap_or_default().into_owned(),
        seq,
    })
}
