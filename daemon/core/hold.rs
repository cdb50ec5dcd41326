//! Holds: a set of open records. A piece or a gate is free only when its set is empty, and only a
//! person's request takes a record out of it.

use crate::names::{
    CharacteristicName, ClassName, HoldId, InputId, PieceId, PieceName, ProductName, RuleName,
    StationName, StratumName,
};
use crate::piece::Piece;
use crate::plant::{Effect, Scope, Station};
use crate::speaker::Speaker;
use crate::time::Timestamp;
use crate::words::Words;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use serde::{Deserialize, Serialize};

impl HoldId {
    /// The name of the nth hold of a line.
    pub(crate) fn nth(n: u64) -> Self {
        Self::from(format!("h-{n:06}"))
    }

    /// Whether a text is the name of a hold, and nothing else.
    #[must_use]
    pub fn names(text: &str) -> bool {
        let digits = text.strip_prefix("h-").unwrap_or_default();
        digits.len() >= 6 && digits.bytes().all(|byte| byte.is_ascii_digit())
    }
}

/// One open hold: in the memory of a piece by its number, in what is said of one by its name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold<P = PieceName> {
    /// Its name.
    pub id: HoldId,
    /// The record that last changed it: a release must quote it.
    pub seq: u64,
    /// Who may release it depends on this.
    pub class: ClassName,
    /// What is held.
    pub of: HoldOf<P>,
    /// Who holds.
    pub rule: Speaker,
    /// What it came from, so that the same thing said again updates it.
    pub origin: Origin,
    /// Why.
    pub reason: Words,
    /// Since when.
    pub since: Timestamp,
    /// Whether the evidence for a release is there.
    pub ready: bool,
    /// The first of two persons who asked for its release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked_by: Option<String>,
    /// Whether that one's request was proven.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub asked_proven: bool,
}

/// What a hold holds.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldOf<P = PieceName> {
    /// One piece.
    Piece(P),
    /// A station's gate.
    Station(StationName),
    /// Every piece of a stratum's value, at every gate.
    Stratum(StratumName, String),
}

/// What a hold or an advisory comes from: the same speaker with the same origin says the same thing again.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", from = "StoredOrigin")]
pub enum Origin {
    /// Values of one characteristic, of one stratum where the speaker keeps those apart, and of one product where what they are
    /// held against hangs on it.
    Values {
        /// Where.
        station: StationName,
        /// What.
        characteristic: CharacteristicName,
        /// The kind of stratum and its value.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        stratum: Option<(StratumName, String)>,
        /// The product.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        product: Option<ProductName>,
    },
    /// A rule that failed on such a value.
    Failed {
        /// Where.
        station: StationName,
        /// What.
        characteristic: CharacteristicName,
        /// Which rule.
        rule: RuleName,
    },
    /// A rule's route that was objected to.
    Route(RuleName),
    /// A wider hold.
    Wider(HoldId),
    /// A person's request, in that record.
    Request(InputId, u64),
    /// A ledger that lacked what the bus had seen, at that start.
    History(u64),
}

/// As a ledger has it. Semantics 3 and before wrote it as one text.
#[derive(Deserialize)]
#[serde(untagged)]
enum StoredOrigin {
    Text(String),
    Typed(TypedOrigin),
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", remote = "Origin")]
enum OriginForm {
    Values {
        station: StationName,
        characteristic: CharacteristicName,
        #[serde(default)]
        stratum: Option<(StratumName, String)>,
        #[serde(default)]
        product: Option<ProductName>,
    },
    Failed {
        station: StationName,
        characteristic: CharacteristicName,
        rule: RuleName,
    },
    Route(RuleName),
    Wider(HoldId),
    Request(InputId, u64),
    History(u64),
}

#[derive(Deserialize)]
struct TypedOrigin(#[serde(with = "OriginForm")] Origin);

impl From<StoredOrigin> for Origin {
    fn from(stored: StoredOrigin) -> Self {
        let text = match stored {
            StoredOrigin::Typed(TypedOrigin(origin)) => return origin,
            StoredOrigin::Text(text) => text,
        };
        if let Some((input, seq)) = text.rsplit_once('@')
            && let Ok(seq) = seq.parse()
        {
            return Self::Request(input.into(), seq);
        }
        if HoldId::names(&text) {
            return Self::Wider(text.into());
        }
        // No name of a station or of a rule has a space or a slash in it.
        let (values, more) = text.split_once(' ').unwrap_or((&text, ""));
        let Some((station, characteristic)) = values.split_once('/') else {
            return Self::Route(text.into());
        };
        let (station, characteristic) = (station.into(), characteristic.into());
        match more.split_once('=') {
            None if more.is_empty() => Self::values(&station, &characteristic, None),
            None => Self::Failed {
                station,
                characteristic,
                rule: more.into(),
            },
            Some((per, value)) => {
                Self::values(&station, &characteristic, Some((per.into(), value.into())))
            }
        }
    }
}

impl Origin {
    /// Values of one characteristic.
    pub(crate) fn values(
        station: &StationName,
        characteristic: &CharacteristicName,
        stratum: Option<(StratumName, String)>,
    ) -> Self {
        Self::Values {
            station: station.clone(),
            characteristic: characteristic.clone(),
            stratum,
            product: None,
        }
    }

    /// The same, of one product only.
    pub(crate) fn of_product(mut self, only: Option<ProductName>) -> Self {
        if let Self::Values { product, .. } = &mut self {
            *product = only;
        }
        self
    }
}

impl<P> Hold<P> {
    /// The same, its piece called otherwise.
    pub(crate) fn of<Q>(&self, of: HoldOf<Q>) -> Hold<Q> {
        Hold {
            id: self.id.clone(),
            seq: self.seq,
            class: self.class.clone(),
            of,
            rule: self.rule.clone(),
            origin: self.origin.clone(),
            reason: self.reason.clone(),
            since: self.since,
            ready: self.ready,
            asked_by: self.asked_by.clone(),
            asked_proven: self.asked_proven,
        }
    }
}

impl<P> HoldOf<P> {
    /// The same, the piece called otherwise.
    pub fn called<Q>(&self, call: impl FnOnce(&P) -> Q) -> HoldOf<Q> {
        match self {
            Self::Piece(piece) => HoldOf::Piece(call(piece)),
            Self::Station(station) => HoldOf::Station(station.clone()),
            Self::Stratum(stratum, value) => HoldOf::Stratum(stratum.clone(), value.clone()),
        }
    }

    /// The piece, where it is one.
    #[must_use]
    pub fn piece(&self) -> Option<&P> {
        match self {
            Self::Piece(piece) => Some(piece),
            Self::Station(_) | Self::Stratum(..) => None,
        }
    }

    /// How wide it reaches.
    #[must_use]
    pub fn scope(&self) -> Scope {
        match self {
            Self::Piece(_) => Scope::Piece,
            Self::Station(_) => Scope::Station,
            Self::Stratum(..) => Scope::Stratum,
        }
    }
}

/// What a gate has to know now.
#[derive(Clone, Debug)]
pub struct HoldView<'a> {
    /// What held means there.
    pub effect: Effect,
    /// The place in the ledger of the last change.
    pub seq: u64,
    /// Set where nothing but one value of one stratum is held.
    pub only: Option<(&'a StratumName, &'a str)>,
    /// The oldest open holds of the gate, at most [`HoldView::SHOWN`]; none: pieces may pass.
    pub holds: Vec<&'a Hold<PieceId>>,
    /// How many are open.
    pub count: usize,
}

impl HoldView<'_> {
    /// So many holds are named to a gate: a controller reads them, and there may be thousands.
    pub const SHOWN: usize = 3;
}

/// A wish to hold, before it is a record.
pub(crate) struct Wish {
    pub rule: Speaker,
    pub class: ClassName,
    pub origin: Origin,
    pub reason: Words,
}

/// Whether a wider hold covers a piece that is, or will be stopped, at a gate.
pub(crate) fn covers(hold: &Hold<PieceId>, piece: &Piece, gate: Option<&Station>) -> bool {
    match &hold.of {
        HoldOf::Piece(_) => false,
        HoldOf::Station(held) => gate.is_some_and(|gate| gate.name == *held),
        // Of a piece that may be two, nobody knows which stratum it is of. One that was not told yet may not have
        // got it yet: media come to a piece at the blaster.
        HoldOf::Stratum(stratum, value) => {
            let of = piece.strata.get(stratum);
            of == Some(value) || (of.is_some() && piece.ambiguous.is_some())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::piece::Name;

    #[test]
    fn an_origin_reads_back_and_versions_before_are_understood() {
        let (station, mass) = ("s30".into(), "mass".into());
        let stratum = Some(("mould".into(), "M 1=x".into()));
        for (before, origin) in [
            ("s30/mass", Origin::values(&station, &mass, None)),
            (
                "s30/mass mould=M 1=x",
                Origin::values(&station, &mass, stratum),
            ),
            (
                "s30/mass wear",
                Origin::Failed {
                    station: station.clone(),
                    characteristic: mass.clone(),
                    rule: "wear".into(),
                },
            ),
            ("h-000004", Origin::Wider("h-000004".into())),
            ("r@1@77", Origin::Request("r@1".into(), 77)),
            ("mass-miss", Origin::Route("mass-miss".into())),
        ] {
            let read = |text: &str| serde_json::from_str::<Origin>(text).expect(text);
            assert_eq!(read(&alloc::format!("{before:?}")), origin);
            let text = serde_json::to_string(&origin).expect("plain data");
            assert_eq!(read(&text), origin, "{text}");
        }
    }

    #[test]
    fn a_hold_of_a_stratum_covers_whatever_may_be_of_it() {
        let hold = Hold {
            id: "h-000001".into(),
            seq: 1,
            class: "process-minor".into(),
            of: HoldOf::Stratum("mould".into(), "M1".into()),
            rule: Speaker::Rule("wear".into()),
            origin: Origin::values(&"s30".into(), &"mass".into(), None),
            reason: Words::Own("light".into()),
            since: Timestamp(0),
            ready: false,
            asked_by: None,
            asked_proven: false,
        };
        let check = |mould: Option<&str>, ambiguous: bool, expect: bool| {
            let told = mould.map(|mould| ("mould".into(), mould.into()));
            let name = Name {
                name: "P1".into(),
                by: "s10".into(),
                since: 1,
            };
            let piece = Piece {
                strata: told.into_iter().collect(),
                ambiguous: ambiguous.then(|| "two of one name".into()),
                ..Piece::new(name, 1)
            };
            assert_eq!(covers(&hold, &piece, None), expect, "{mould:?} {ambiguous}");
        };
        check(Some("M1"), false, true);
        check(Some("M1"), true, true);
        check(Some("M2"), false, false);
        check(Some("M2"), true, true);
        check(None, false, false);
        check(None, true, false);
    }
}
