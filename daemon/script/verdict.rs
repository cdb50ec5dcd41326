//! What a handler says: verdicts, and the desk on which the engine notes which were made.
//!
//! A verdict that was made and not returned was meant and lost (two `if`s one after the other: the script
//! returns the last one's), so each one made during a call is noted and compared with what the call returned.
//!
//! Deliberately not here: what becomes of a piece. Verdicts are merged elsewhere.

use crate::fault::{Complaint, suggest};
use crate::header::Drafts;
use crate::operators::describe;
use crate::words;
use chargehand_core::{Asks, ClassName, Reach, Verdict, Word};
use rhai::{Dynamic, Engine, EvalAltResult, ImmutableString, NativeCallContext, Position};
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// A verdict inside the engine.
#[derive(Clone, Debug)]
pub(crate) struct Said {
    /// Its number within the call.
    number: usize,
    word: Word,
    text: ImmutableString,
    class: Option<ImmutableString>,
}

/// Notes of the call that is running.
#[derive(Debug, Default)]
pub(crate) struct Desk {
    /// What the header that is running declares.
    pub(crate) draft: Drafts,
    made: RefCell<Vec<(Word, Position)>>,
    /// Set while a rule is tried at load: what is legal but doubtful is noted then.
    pub(crate) trying: Cell<bool>,
    remarks: RefCell<Vec<(Position, Complaint)>>,
}

impl Desk {
    /// Forgets the call before.
    pub(crate) fn clear(&self) {
        self.made.borrow_mut().clear();
    }

    pub(crate) fn remark(&self, at: Position, complaint: Complaint) {
        if self.trying.get() {
            self.remarks.borrow_mut().push((at, complaint));
        }
    }

    pub(crate) fn take_remarks(&self) -> Vec<(Position, Complaint)> {
        self.remarks.take()
    }

    fn make(&self, word: Word, text: ImmutableString, at: Position) -> Said {
        let mut made = self.made.borrow_mut();
        made.push((word, at));
        Said {
            number: made.len() - 1,
            word,
            text,
            class: None,
        }
    }

    /// The verdicts in what a handler returned, in its order, each once.
    pub(crate) fn read(
        &self,
        handler: &str,
        returned: Dynamic,
    ) -> Result<Vec<Verdict>, (Position, Complaint)> {
        let said = unpack(handler, returned).map_err(|complaint| (Position::NONE, complaint))?;
        let mut kept = BTreeMap::new();
        let mut order = Vec::new();
        for one in said {
            if kept.insert(one.number, ()).is_none() {
                order.push(one);
            }
        }
        let made = self.made.borrow();
        if let Some((word, at)) = (0..made.len())
            .find(|number| !kept.contains_key(number))
            .map(|n| made[n])
        {
            let place = format!("{}:{}", at.line().unwrap_or(0), at.position().unwrap_or(0));
            return Err((
                at,
                Complaint::new(
                    format!("`{word}` at {place} was made but not returned"),
                    "put both in a list",
                ),
            ));
        }
        Ok(order
            .into_iter()
            .map(|one| Verdict {
                asks: match one.word {
                    Word::Hold => Asks::Hold(
                        Reach::Piece,
                        one.class.map(|class| ClassName::from(class.as_str())),
                    ),
                    word => Asks::Piece(word),
                },
                text: one.text.to_string(),
            })
            .collect())
    }
}

/// One verdict, a list of them, or nothing.
fn unpack(handler: &str, returned: Dynamic) -> Result<Vec<Said>, Complaint> {
    if returned.is_unit() {
        return Ok(Vec::new());
    }
    if let Some(one) = returned.read_lock::<Said>() {
        return Ok(vec![one.clone()]);
    }
    let wanted = "return one verdict, a list of verdicts, or nothing";
    let found = describe(&returned);
    let list = returned
        .into_array()
        .map_err(|_| Complaint::new(format!("`{handler}` returned {found}"), wanted))?;
    list.into_iter()
        .map(|item| {
            let found = describe(&item);
            item.try_cast::<Said>().ok_or_else(|| {
                Complaint::new(
                    format!("`{handler}` returned a list holding {found}"),
                    wanted,
                )
            })
        })
        .collect()
}

/// Teaches the engine the verbs.
pub(crate) fn register(engine: &mut Engine, desk: &Rc<Desk>, classes: BTreeSet<String>) {
    engine.register_type_with_name::<Said>("verdict");
    for word in words::VERBS.iter().copied() {
        let notes = Rc::clone(desk);
        let say = move |context: NativeCallContext<'_>,
                        text: Dynamic|
              -> Result<Said, Box<EvalAltResult>> {
            Ok(notes.make(word, reason(word, &text)?, context.call_position()))
        };
        engine.register_fn(word.as_str(), say);
        engine.register_fn(
            word.as_str(),
            move || -> Result<Said, Box<EvalAltResult>> { Err(no_reason(word).into()) },
        );
    }
    let class = move |said: &mut Said, class: Dynamic| -> Result<Said, Box<EvalAltResult>> {
        said.class = Some(known_class(said, &class, &classes)?);
        Ok(said.clone())
    };
    engine.register_fn("class", class);
}

fn reason(word: Word, text: &Dynamic) -> Result<ImmutableString, Complaint> {
    let Some(text) = text.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            format!("`{word}` was given {} as its reason", describe(text)),
            format!("write {word}(\"why\")"),
        ));
    };
    if text.trim().is_empty() {
        Err(no_reason(word))
    } else {
        Ok(text.clone())
    }
}

fn no_reason(word: Word) -> Complaint {
    Complaint::new(
        format!("`{word}` has no reason"),
        format!("write {word}(\"why\")"),
    )
}

fn known_class(
    said: &Said,
    class: &Dynamic,
    classes: &BTreeSet<String>,
) -> Result<ImmutableString, Complaint> {
    if said.word != Word::Hold {
        return Err(Complaint::new(
            format!("`{}` has no class", said.word),
            "only a hold has one",
        ));
    }
    let Some(class) = class.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            format!("a class is a text, found {}", describe(class)),
            "write .class(\"process-minor\")".replace("process-minor", first(classes)),
        ));
    };
    if !classes.contains(class.as_str()) {
        return Err(Complaint::new(
            format!("class '{}' is not in the plant description", class.as_str()),
            suggest(class.as_str(), classes.iter().map(String::as_str)),
        ));
    }
    Ok(class.clone())
}

fn first(classes: &BTreeSet<String>) -> &str {
    classes.first().map_or("", String::as_str)
}
