//! Pieces whose story differs: what was said of each, where the two runs part, old beside new.

use super::gone::Gone;
use super::same::same_words;
use super::spells::{Now, When};
use chargehand_core::{
    CharacteristicName, ClassName, Disposition, Origin, Outcome, PieceName, RoleName, Speaker,
    StationName, Verb, Word,
};
use chargehand_words::say;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};

/// A text of a rule or of the engine. Two are equal that differ in the numbers of holds at most.
#[derive(Clone, Debug, Serialize)]
#[serde(transparent)]
pub struct Words(pub String);

impl PartialEq for Words {
    fn eq(&self, other: &Self) -> bool {
        same_words(&self.0, &other.0)
    }
}

impl Eq for Words {}

/// One piece's story, where it differs.
#[derive(Clone, Debug, Serialize)]
pub struct Story {
    /// The piece.
    pub piece: PieceName,
    /// Its last disposition as recorded; none where it never had one.
    pub old: Option<Word>,
    /// Its last disposition as replayed.
    pub new: Option<Word>,
    /// Every record that says something else of it, in order.
    pub moments: Vec<Moment>,
}

/// One record that says something else of a piece.
#[derive(Clone, Debug, Serialize)]
pub struct Moment {
    /// The record.
    #[serde(flatten)]
    pub when: When,
    /// Where the piece was measured, or last seen.
    pub station: Option<StationName>,
    /// As recorded.
    pub old: Told,
    /// As replayed.
    pub new: Told,
}

/// What one record says of a piece.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Told {
    /// Its disposition, where the record gives one; of several the last.
    pub decision: Option<Decision>,
    /// What was measured of it, and what rules said.
    pub values: Vec<Value>,
    /// Holds of it that were opened, or say more.
    pub holds: Vec<HoldSaid>,
    /// Holds of it that were released.
    pub released: Vec<Released>,
    /// What of the message could not be used, and why.
    pub rejected: Vec<Words>,
}

impl Told {
    /// Whether both say the same of the piece. Advice, alarms and wider holds are told by themselves.
    fn alike(&self, other: &Self) -> bool {
        let of_piece = |told: &Self| -> Vec<(CharacteristicName, Vec<SaidBy>)> {
            let values = told.values.iter();
            values
                .map(|value| {
                    let said = value.said.iter().filter(|said| !wider(said.verb)).cloned();
                    (value.characteristic.clone(), said.collect())
                })
                .collect()
        };
        self.decision == other.decision
            && self.holds == other.holds
            && self.released == other.released
            && self.rejected == other.rejected
            && of_piece(self) == of_piece(other)
    }
}

/// Whether a verb is about more than the piece.
fn wider(verb: Option<Verb>) -> bool {
    matches!(
        verb,
        Some(Verb::Advise | Verb::Alarm | Verb::HoldStation | Verb::HoldStratum)
    )
}

/// A disposition, but for its numbers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Decision {
    /// The word.
    pub word: Word,
    /// The lane, where the word names one.
    pub route: Option<String>,
    /// The gate where the piece can still be stopped.
    pub act_at: Option<StationName>,
    /// Whether the piece had left the measuring station before.
    pub late: bool,
    /// Why.
    pub reasons: Vec<SaidBy>,
}

/// A value and what rules said of it. Two are equal of which the same was said.
#[derive(Clone, Debug, Serialize)]
pub struct Value {
    /// What was measured.
    pub characteristic: CharacteristicName,
    /// How much, with its unit.
    pub value: String,
    /// What rules and engine said.
    pub said: Vec<SaidBy>,
}

impl PartialEq for Value {
    fn eq(&self, other: &Self) -> bool {
        self.characteristic == other.characteristic && self.said == other.said
    }
}

impl Eq for Value {}

/// What one rule said, or why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SaidBy {
    /// Which rule.
    pub rule: String,
    /// What it asked for, where this is a verdict.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verb: Option<Verb>,
    /// Its words.
    pub text: Words,
}

/// A hold that was opened, or says more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct HoldSaid {
    /// Which rule.
    pub rule: String,
    /// Who may release it depends on this.
    pub class: ClassName,
    /// The wider hold that the piece came under, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub under: Option<Words>,
    /// Why.
    pub reason: Words,
}

/// A hold that was released.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Released {
    /// Who asked.
    pub by: String,
    /// In which role.
    pub role: RoleName,
    /// Why.
    pub reason: String,
}

/// The stories of all pieces that have one.
#[derive(Debug, Default)]
pub(super) struct Stories {
    stories: Vec<Story>,
    places: HashMap<PieceName, usize>,
}

impl Stories {
    /// Both runs say the same in this record.
    pub(super) fn alike(&mut self, outcomes: &[Outcome]) {
        if self.stories.is_empty() {
            return;
        }
        for outcome in outcomes {
            if let Outcome::Disposition(Disposition { piece, word, .. }) = outcome
                && let Some(place) = self.places.get(piece)
            {
                let story = &mut self.stories[*place];
                story.old = Some(*word);
                story.new = Some(*word);
            }
        }
    }

    /// The record's bytes differ: perhaps in what they say of a piece.
    /// A piece that is gone in the replay has no story any more.
    pub(super) fn differ(
        &mut self,
        now: Now<'_>,
        recorded: &[Outcome],
        derived: &[Outcome],
        gone: &Gone,
    ) {
        let mut old = told(recorded);
        let mut new = told(derived);
        let mut pieces: Vec<PieceName> = old.keys().chain(new.keys()).cloned().collect();
        pieces.sort_unstable();
        pieces.dedup();
        for piece in pieces {
            let (old_at, old) = old.remove(&piece).unwrap_or_default();
            let (new_at, new) = new.remove(&piece).unwrap_or_default();
            let word = |told: &Told| told.decision.as_ref().map(|decision| decision.word);
            let words = (word(&old), word(&new));
            let left = new == Told::default() && gone.has(&piece);
            let place = if old.alike(&new) || left {
                self.places.get(&piece).copied()
            } else {
                let place = self.place(&piece);
                self.stories[place].moments.push(Moment {
                    when: now.when(),
                    station: new_at.or(old_at),
                    old,
                    new,
                });
                Some(place)
            };
            if let Some(place) = place {
                let story = &mut self.stories[place];
                story.old = words.0.or(story.old);
                story.new = words.1.or(story.new);
            }
        }
    }

    fn place(&mut self, piece: &PieceName) -> usize {
        if let Some(place) = self.places.get(piece) {
            return *place;
        }
        let place = self.stories.len();
        self.places.insert(piece.clone(), place);
        self.stories.push(Story {
            piece: piece.clone(),
            old: None,
            new: None,
            moments: Vec::new(),
        });
        place
    }

    /// All of them, in the order in which they began to differ.
    pub(super) fn into_inner(self) -> Vec<Story> {
        self.stories
    }
}

/// What outcomes say of each piece, and where it was.
fn told(outcomes: &[Outcome]) -> BTreeMap<PieceName, (Option<StationName>, Told)> {
    let mut all: BTreeMap<PieceName, (Option<StationName>, Told)> = BTreeMap::new();
    for outcome in outcomes {
        let Some(piece) = outcome.piece() else {
            continue;
        };
        if matches!(outcome, Outcome::Born { .. } | Outcome::Noted { .. }) {
            continue;
        }
        let (at, told) = all.entry(piece.clone()).or_default();
        match outcome {
            Outcome::Judged(judged) => {
                at.get_or_insert_with(|| judged.station.clone());
                told.values.push(Value {
                    characteristic: judged.characteristic.clone(),
                    value: judged.value.clone(),
                    said: judged
                        .said
                        .iter()
                        .map(|said| said_by(&said.rule, said.word, &say(&said.text)))
                        .collect(),
                });
            }
            Outcome::Disposition(disposition) => {
                at.get_or_insert_with(|| disposition.station.clone());
                told.decision = Some(decision(disposition));
            }
            Outcome::Hold(hold) => told.holds.push(HoldSaid {
                rule: hold.rule.to_string(),
                class: hold.class.clone(),
                under: match &hold.origin {
                    Origin::Wider(wider) => Some(Words(wider.to_string())),
                    _ => None,
                },
                reason: Words(say(&hold.reason).into_owned()),
            }),
            Outcome::Freed(freed) => told.released.push(Released {
                by: freed.by.clone(),
                role: freed.role.clone(),
                reason: freed.reason.clone(),
            }),
            Outcome::Rejected(rejected) => {
                told.rejected.push(Words(say(&rejected.text).into_owned()))
            }
            _ => {}
        }
    }
    all
}

fn said_by(rule: &Speaker, verb: Option<Verb>, text: &str) -> SaidBy {
    SaidBy {
        rule: rule.to_string(),
        verb,
        text: Words(text.to_owned()),
    }
}

fn decision(disposition: &Disposition) -> Decision {
    Decision {
        word: disposition.word,
        route: disposition.route.clone(),
        act_at: disposition.act_at.clone(),
        late: disposition.late,
        reasons: disposition
            .reasons
            .iter()
            .map(|reason| said_by(&reason.rule, None, &say(&reason.text)))
            .collect(),
    }
}
