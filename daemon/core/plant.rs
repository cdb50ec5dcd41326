//! The plant description as it is meant: one line, its stations in order of place, what is measured
//! there, its gauges, strata, roles. Already checked: whoever builds one has refused what contradicts.
//!
//! Deliberately not here: the TOML it was typed in.

use crate::contract::RequestVerb;
use crate::names::{
    CharacteristicName, ClassName, GaugeName, ProductName, RoleName, StationName, StratumName,
};
use crate::product::ByProduct;
use crate::time::Span;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;
use chargehand_measure::{Decimal, Scale, Unit};
use core::fmt;
use serde::{Deserialize, Serialize};

/// One line's description.
#[derive(Clone, Debug)]
pub struct Plant {
    /// The line itself.
    pub line: LineDescription,
    /// What is made; empty where all pieces are of one.
    pub products: Vec<ProductName>,
    /// What pieces can be told apart by.
    pub strata: Vec<Stratum>,
    /// Stations in order of place; equal places keep the order of the description.
    pub stations: Vec<Station>,
    /// Every gauge.
    pub gauges: Vec<Gauge>,
    /// Who may ask for what.
    pub roles: Vec<Role>,
    /// Who acts in which of them.
    pub persons: Vec<Person>,
    /// Which of them answer the engine's own alarms.
    pub owners: Owners,
    /// Classes of holds beside the default one.
    pub classes: Vec<HoldClass>,
    /// Which routes are legal in which condition.
    pub routes_legal: BTreeMap<Condition, ByProduct<BTreeSet<Word>>>,
    /// The lane a disposition is sent to, by word.
    pub lanes: BTreeMap<Word, String>,
    /// Words of parts this version does not have: taken, without effect, said aloud.
    pub without_effect: Vec<String>,
}

/// What holds for the whole line.
#[derive(Clone, Debug)]
pub struct LineDescription {
    /// The topic prefix, `site/area/line`.
    pub base: String,
    /// IANA time zone name; our own times carry its offset.
    pub zone: String,
    /// Folder of the rulebook, relative to the description.
    pub rules: String,
    /// Whose word it is who asks.
    pub requests: Requests,
    /// How long the line takes for a piece while it runs; none where nobody says.
    pub takt: Option<Span>,
    /// How far a source's `at` may lie from the line's clock before that is an alarm.
    pub skew: Span,
    /// How long a cause must stay away before an alarm about an occurrence returns to normal.
    pub quiet: Span,
    /// How long a `released` is valid.
    pub valid: Span,
    /// How many pieces without an open matter are remembered.
    pub pieces_kept: usize,
}

/// A kind of stratum and its values.
#[derive(Clone, Debug)]
pub struct Stratum {
    /// e.g. `mould`.
    pub name: StratumName,
    /// e.g. `M1`; empty where any value is taken.
    pub values: Vec<String>,
}

/// One station.
#[derive(Clone, Debug)]
pub struct Station {
    /// Its topic level.
    pub name: StationName,
    /// Place on the belt, in pieces after casting.
    pub place: i64,
    /// What state its pieces leave in.
    pub condition: Condition,
    /// Where pieces can be stopped, if they can.
    pub gate: Option<Gate>,
    /// What is measured there.
    pub characteristics: Vec<Characteristic>,
    /// Topics of the station's own, mapped onto readings.
    pub topics: Vec<TopicMap>,
    /// Whether the line only observes there, until somebody asks that it commands.
    pub observe: bool,
}

/// Where a piece can physically be stopped.
#[derive(Clone, Debug)]
pub struct Gate {
    /// Its kind.
    pub kind: GateKind,
    /// Where it stands; the station's place unless said otherwise.
    pub place: i64,
    /// The time the station waits for an answer.
    pub within: Span,
    /// What `held` means there.
    pub effect: Effect,
}

/// A gate and the station it belongs to; none where none is left.
pub(crate) type GateAt<'p> = Option<(&'p Station, &'p Gate)>;

/// One measured property.
#[derive(Clone, Debug)]
pub struct Characteristic {
    /// e.g. `mass`.
    pub name: CharacteristicName,
    /// Unit and resolution; its values are counted in it.
    pub scale: Scale,
    /// What its values are held against.
    pub aims: ByProduct<Aims>,
    /// Whether it belongs to a piece or to the station.
    pub of: Of,
    /// The stratum its rules look at.
    pub per: Option<StratumName>,
    /// The gauge that measures it, unless the message names another.
    pub gauge: Option<GaugeName>,
}

/// What the values of a characteristic are held against, for pieces of one product or of all; counted in its scale.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Aims {
    /// The value aimed at.
    pub nominal: Option<i64>,
    /// Lower tolerance limit; a value at the limit is inside.
    pub lower: Option<i64>,
    /// Upper tolerance limit; a value at the limit is inside.
    pub upper: Option<i64>,
    /// What can be true at all, both ends included.
    pub plausible: Option<(i64, i64)>,
    /// Where the mean of a process in order is: what charts are centred on.
    pub centre: Option<Mean>,
    /// The standard deviation of one value of a process in order, in the scale's unit; above 0.
    pub sigma: Option<Decimal>,
    /// One piece in so many is to be measured; at least 1.
    pub every: u32,
}

impl Default for Aims {
    /// Nothing is asked of a value, and every piece is measured.
    fn default() -> Self {
        Self {
            nominal: None,
            lower: None,
            upper: None,
            plausible: None,
            centre: None,
            sigma: None,
            every: 1,
        }
    }
}

/// The mean of a process in order, in the scale's unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Mean {
    /// The same for all pieces.
    One(Decimal),
    /// By the characteristic's `per`.
    Per(BTreeMap<String, Decimal>),
}

/// A gauge and its check standard.
#[derive(Clone, Debug)]
pub struct Gauge {
    /// e.g. `lc-1`.
    pub name: GaugeName,
    /// The known standard it is checked with.
    pub standard: Option<Standard>,
    /// How much that cannot be taken back may be done on its word.
    pub irreversible: Irreversible,
}

/// Of the newest pieces that a gauge measured, to how many may be done what cannot be taken back, until it passes a
/// check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Irreversible {
    /// So many at most.
    pub most: u32,
    /// Of so many; at least 1.
    pub of: u32,
}

impl Default for Irreversible {
    fn default() -> Self {
        Self { most: 3, of: 10 }
    }
}

/// A known standard, counted in the scale of the characteristic the gauge measures.
#[derive(Clone, Debug)]
pub struct Standard {
    /// Its known value.
    pub nominal: i64,
    /// How far off a healthy gauge may read it, both ends included.
    pub within: i64,
    /// How long a passed check is good for; none where nobody says.
    pub every: Option<Span>,
}

/// Who may ask for what.
#[derive(Clone, Debug)]
pub struct Role {
    /// As in the request's topic.
    pub name: RoleName,
    /// What it may do.
    pub may: Vec<Permission>,
}

/// Somebody who asks under a name that the broker checks.
#[derive(Clone, Debug)]
pub struct Person {
    /// The user's name at the broker; one topic level.
    pub name: String,
    /// In which roles.
    pub roles: Vec<RoleName>,
}

/// The roles that answer the engine's own alarms.
#[derive(Clone, Debug)]
pub struct Owners {
    /// Of rules, controllers, clocks and the broker.
    pub automation: RoleName,
    /// Of gauges.
    pub maintenance: RoleName,
}

impl Default for Owners {
    fn default() -> Self {
        Self {
            automation: RoleName::from("automation"),
            maintenance: RoleName::from("maintenance"),
        }
    }
}

/// One thing a role may do: a verb, for one class of holds or for all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Permission {
    /// What may be asked.
    pub verb: RequestVerb,
    /// The class it is limited to.
    pub class: Option<ClassName>,
}

/// A class of holds.
#[derive(Clone, Debug)]
pub struct HoldClass {
    /// e.g. `food-contact`.
    pub name: ClassName,
    /// Whether two persons must ask before it is released.
    pub second_person: bool,
}

/// A station's own topic and how its members are read.
#[derive(Clone, Debug)]
pub struct TopicMap {
    /// MQTT topic filter, outside the line's base.
    pub filter: String,
    /// JSON Pointer to the rows, its last token `*`; none where the message is one row.
    pub pieces: Option<String>,
    /// Where each member of a reading is found.
    pub map: BTreeMap<String, Map>,
    /// Units of characteristics the message does not name.
    pub units: BTreeMap<CharacteristicName, Unit>,
    /// Whether `3,18` is a number there.
    pub decimal_comma: bool,
    /// Zone of times without an offset.
    pub zone: Option<String>,
}

/// Where a member is found: a JSON Pointer, from the row, else from the message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Map {
    /// RFC 6901 pointer.
    pub pointer: String,
    /// Set where the member is a time counted since 1970.
    pub since_1970: Option<Since1970>,
}

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),* $(,)? })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $text)] $variant),* }
        impl $name {
            /// Every word, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];
            /// The word as it stands on the bus and in the plant description.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }
            /// The word that reads so.
            #[must_use]
            pub fn parse(text: &str) -> Option<Self> {
                match text { $($text => Some(Self::$variant),)* _ => None }
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }
    )*};
}
pub(crate) use words;

words! {
    /// The state a piece's material is in; it decides which routes are legal.
    Condition {
        /// Dry and bare.
        AsCast = "as-cast",
        /// Coolant or oil may cling to it.
        Machined = "machined",
        /// Grit may be entrapped.
        Blasted = "blasted",
        /// Wet.
        Washed = "washed",
        /// Uncured film.
        WetCoat = "wet-coat",
        /// On the oven belt.
        InOven = "in-oven",
        /// Coated.
        Cured = "cured",
        /// Coated, base ground.
        Ground = "ground",
        /// Carries its serial.
        Marked = "marked",
        /// In its carton.
        Packed = "packed",
    }
    /// A disposition's word.
    Word {
        /// Let pass.
        Accept = "accept",
        /// Stop, a person decides.
        Hold = "hold",
        /// Measure again.
        Recheck = "recheck",
        /// Make it conform.
        Rework = "rework",
        /// Another grade.
        Regrade = "regrade",
        /// Kept from its use.
        Scrap = "scrap",
        /// Back to the furnace charge.
        Remelt = "remelt",
        /// Evidence is missing.
        Unevaluated = "unevaluated",
    }
    /// What stands at a place where pieces can be stopped.
    GateKind {
        /// Sends a piece to a lane.
        Diverter = "diverter",
        /// A lane at the door of the next station.
        Lane = "lane",
        /// Marks the piece.
        Mark = "mark",
        /// Opens for `accept` only.
        Final = "final",
    }
    /// What `held` means at a gate.
    Effect {
        /// Pieces go to the lane.
        Divert = "divert",
        /// No new pieces are loaded.
        StopLoading = "stop-loading",
    }
    /// Whom a characteristic belongs to.
    Of {
        /// The piece.
        Piece = "piece",
        /// The station.
        Station = "station",
    }
    /// How wide a hold reaches.
    Scope {
        /// One piece.
        Piece = "piece",
        /// Pieces around a failed sample.
        Bracket = "bracket",
        /// Pieces of one stratum.
        Stratum = "stratum",
        /// Pieces of one lot.
        Lot = "lot",
        /// A station's gate.
        Station = "station",
    }
    /// Whose word it is who asks.
    Requests {
        /// The message's own.
        Claimed = "claimed",
        /// The broker's, which lets nobody publish under another's name.
        Proven = "proven",
    }
    /// What a count since 1970 counts.
    Since1970 {
        /// Seconds.
        Seconds = "s",
        /// Milliseconds.
        Millis = "ms",
        /// Microseconds.
        Micros = "us",
    }
}

impl Word {
    /// Whether the route cannot be taken back: it needs a healthy gauge, a certain identity and nobody asking otherwise.
    #[must_use]
    pub const fn is_irreversible(self) -> bool {
        matches!(self, Self::Rework | Self::Scrap | Self::Remelt)
    }

    /// Whether the word names a lane of its own.
    #[must_use]
    pub const fn is_route(self) -> bool {
        matches!(
            self,
            Self::Rework | Self::Regrade | Self::Scrap | Self::Remelt
        )
    }
}

impl Plant {
    /// The class of holds that name none, and of the engine's own.
    pub const CLASS_DEFAULT: &'static str = "process-minor";
    /// The class of holds for a value outside its limits: freed only by roles that were given it by name.
    pub const CLASS_NONCONFORMING: &'static str = "nonconforming";

    /// Every class a hold can have: those of the engine's own, and those declared.
    pub fn class_names(&self) -> impl Iterator<Item = &str> {
        let own = [Self::CLASS_DEFAULT, Self::CLASS_NONCONFORMING];
        let declared = self.classes.iter().map(|class| class.name.as_str());
        own.into_iter()
            .chain(declared.filter(move |class| !own.contains(class)))
    }

    /// The station of that name.
    #[must_use]
    pub fn station(&self, name: &str) -> Option<&Station> {
        self.stations
            .iter()
            .find(|station| station.name.as_str() == name)
    }

    /// The product of that name.
    #[must_use]
    pub fn product(&self, name: &str) -> Option<&ProductName> {
        self.products
            .iter()
            .find(|product| product.as_str() == name)
    }

    /// Whether a route is legal in a condition for a piece of that product; for one of which that is not known,
    /// whether it is legal for every product.
    #[must_use]
    pub fn is_legal(
        &self,
        word: Word,
        condition: Condition,
        product: Option<&ProductName>,
    ) -> bool {
        let Some(legal) = self.routes_legal.get(&condition) else {
            return false;
        };
        match legal.of(product) {
            Some(routes) => routes.contains(&word),
            None => legal.each().all(|(_, routes)| routes.contains(&word)),
        }
    }

    /// The gauge of that name.
    #[must_use]
    pub fn gauge(&self, name: &str) -> Option<&Gauge> {
        self.gauges.iter().find(|gauge| gauge.name.as_str() == name)
    }

    /// The stratum of that name.
    #[must_use]
    pub fn stratum(&self, name: &str) -> Option<&Stratum> {
        self.strata
            .iter()
            .find(|stratum| stratum.name.as_str() == name)
    }

    /// The role of that name.
    #[must_use]
    pub fn role(&self, name: &str) -> Option<&Role> {
        self.roles.iter().find(|role| role.name.as_str() == name)
    }

    /// The person of that name.
    #[must_use]
    pub fn person(&self, name: &str) -> Option<&Person> {
        self.persons.iter().find(|person| person.name == name)
    }

    /// The first gate, in order of place, for which `fits` holds.
    #[must_use]
    pub fn gate_where(&self, fits: impl Fn(&Station, &Gate) -> bool) -> Option<(&Station, &Gate)> {
        self.stations
            .iter()
            .filter_map(|station| Some((station, station.gate.as_ref()?)))
            .filter(|(station, gate)| fits(station, gate))
            .min_by_key(|(_, gate)| gate.place)
    }

    /// Where pieces of a station can be stopped: at its own gate, else at the next one.
    #[must_use]
    pub fn gate_for<'p>(&'p self, station: &'p Station) -> Option<&'p Station> {
        if station.gate.is_some() {
            return Some(station);
        }
        self.gate_where(|_, gate| gate.place >= station.place)
            .map(|(station, _)| station)
    }

    /// Whether holds of the class need two persons to be released.
    #[must_use]
    pub fn second_person(&self, class: &ClassName) -> bool {
        self.classes
            .iter()
            .any(|known| known.name == *class && known.second_person)
    }
}

impl Station {
    /// The characteristic of that name.
    #[must_use]
    pub fn characteristic(&self, name: &str) -> Option<&Characteristic> {
        self.characteristics
            .iter()
            .find(|known| known.name.as_str() == name)
    }
}

impl Characteristic {
    /// What can be true of a piece of that product, both ends included; where that hangs on the product and it is not
    /// known, from the lowest to the highest that can be true of any.
    #[must_use]
    pub fn plausible(&self, product: Option<&ProductName>) -> Option<(i64, i64)> {
        if let Some(aims) = self.aims.of(product) {
            return aims.plausible;
        }
        let bands = self.aims.each().map(|(_, aims)| aims.plausible);
        let bands: Vec<(i64, i64)> = bands.collect::<Option<_>>()?;
        let low = bands.iter().map(|(low, _)| *low).min()?;
        let high = bands.iter().map(|(_, high)| *high).max()?;
        Some((low, high))
    }
}

impl Role {
    /// Whether the role may make the request, for a hold of the class where it is about one. A permission that names no
    /// class is for all but what is out of tolerance.
    #[must_use]
    pub fn may(&self, verb: RequestVerb, class: Option<&ClassName>) -> bool {
        let by_name = class.is_some_and(|class| class.as_str() == Plant::CLASS_NONCONFORMING);
        self.may.iter().any(|permission| {
            permission.verb == verb
                && match &permission.class {
                    None => !by_name,
                    Some(only) => Some(only) == class,
                }
        })
    }
}

#[cfg(test)]
impl Plant {
    /// A line of these stations and of nothing else.
    pub(crate) fn of_stations(stations: Vec<Station>) -> Self {
        Self {
            line: LineDescription {
                base: "a/b/c".into(),
                zone: "UTC".into(),
                rules: "rules".into(),
                requests: Requests::Claimed,
                takt: None,
                skew: Span::from_secs(1),
                quiet: Span::from_secs(1),
                valid: Span::from_secs(1),
                pieces_kept: 1,
            },
            products: Vec::new(),
            strata: Vec::new(),
            stations,
            gauges: Vec::new(),
            roles: Vec::new(),
            persons: Vec::new(),
            owners: Owners::default(),
            classes: Vec::new(),
            routes_legal: BTreeMap::new(),
            lanes: BTreeMap::new(),
            without_effect: Vec::new(),
        }
    }
}
