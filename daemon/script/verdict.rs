//! What a handler says: the verbs, and the verdicts in what it returned.
//!
//! A verdict that was made and not returned was meant and lost (two `if`s one after the other: the script
//! returns the last one's), so each one made during a call is noted and compared with what the call returned.
//!
//! Deliberately not here: what becomes of a piece. Verdicts are merged elsewhere.

use crate::declared::Declared;
use crate::desk::{Desk, Spoken};
use crate::fault::{Answer, Complaint, Finding, suggest};
use crate::uses::Endings;
use crate::value::describe;
use crate::words;
use chargehand_core::{Asks, ClassName, Plant, Reach, RoleName, Verb, Verdict, Word, codes};
use rhai::{Dynamic, Engine, ImmutableString, NativeCallContext};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use std::sync::Arc;

/// The verdicts in what a handler returned, in its order, each once; `ends` says where it may have returned it.
pub(crate) fn read(
    desk: &Desk,
    handler: &str,
    declared: &Declared,
    ends: &Endings,
    returned: Dynamic,
) -> Result<Vec<Verdict>, Finding> {
    if let Some(fault) = desk.take_fault() {
        return Err(fault);
    }
    let kind = describe(&returned);
    let said = unpack(handler, returned).map_err(|complaint| (ends.of(&kind), complaint))?;
    let mut kept = BTreeMap::new();
    let mut order = Vec::new();
    for one in said {
        if kept.insert(one.number, ()).is_none() {
            order.push(one);
        }
    }
    let made = desk.made();
    if let Some((word, at)) = (0..made.len())
        .find(|number| !kept.contains_key(number))
        .map(|n| made[n])
    {
        let remedy = match made.len() {
            1 => codes::mend_return_it(),
            2 => codes::mend_return_both(),
            _ => codes::mend_return_all(),
        };
        let (line, column) = (at.line().unwrap_or(0), at.position().unwrap_or(0));
        let what = codes::made_not_returned(word.as_str(), line, column);
        return Err((at, Complaint::new(what, remedy)));
    }
    let at_place = |one: Spoken| {
        let at = made[one.number].1;
        verdict(one, declared).map_err(|complaint| (at, complaint))
    };
    order.into_iter().map(at_place).collect()
}

fn verdict(said: Spoken, declared: &Declared) -> Result<Verdict, Complaint> {
    let class = said.class.map(|class| ClassName::from(class.as_str()));
    let asks = match said.verb {
        Verb::Accept => Asks::Piece(Word::Accept),
        Verb::Recheck => Asks::Piece(Word::Recheck),
        Verb::Rework => Asks::Piece(Word::Rework),
        Verb::Regrade => Asks::Piece(Word::Regrade),
        Verb::Scrap => Asks::Piece(Word::Scrap),
        Verb::Remelt => Asks::Piece(Word::Remelt),
        Verb::Hold => Asks::Hold(Reach::Piece, class),
        Verb::HoldStation => Asks::Hold(Reach::Station, class),
        Verb::HoldStratum => Asks::Hold(Reach::Stratum, class),
        Verb::Advise => Asks::Advise(RoleName::from(said.whom.as_str())),
        Verb::Alarm => match declared.alarms.get(said.whom.as_str()) {
            Some(alarm) => Asks::Alarm(Arc::clone(alarm)),
            None => return Err(no_alarm(&said.whom, declared)),
        },
    };
    Ok(Verdict {
        asks,
        text: said.text.to_string(),
    })
}

/// Somebody has to know what to do about an alarm before it is raised.
pub(crate) fn no_alarm(name: &str, declared: &Declared) -> Complaint {
    let near = suggest(name, declared.alarms.keys().map(String::as_str));
    let remedy = near.unwrap_or_else(|| codes::mend_declare_alarm(name));
    Complaint::new(codes::alarm_undeclared(name), remedy)
}

/// Only a role of the plant can be told.
pub(crate) fn no_role<'r>(name: &str, roles: impl Iterator<Item = &'r str> + Clone) -> Complaint {
    Complaint::new(codes::role_not_in_plant(name), suggest(name, roles))
}

/// One verdict, a list of them, or nothing.
fn unpack(handler: &str, returned: Dynamic) -> Result<Vec<Spoken>, Complaint> {
    if returned.is_unit() {
        return Ok(Vec::new());
    }
    if let Some(one) = returned.read_lock::<Spoken>() {
        return Ok(vec![one.clone()]);
    }
    let wanted = codes::mend_return_verdicts;
    let found = describe(&returned);
    let list = returned
        .into_array()
        .map_err(|_| Complaint::new(codes::handler_returned(handler, found), wanted()))?;
    list.into_iter()
        .map(|item| {
            let found = describe(&item);
            item.try_cast::<Spoken>().ok_or_else(|| {
                Complaint::new(codes::handler_returned_holding(handler, found), wanted())
            })
        })
        .collect()
}

/// Whom a rule can speak to, out of the plant description.
#[derive(Clone, Debug, Default)]
pub(crate) struct Known {
    /// Classes of holds.
    pub(crate) classes: BTreeSet<String>,
    pub(crate) roles: BTreeSet<String>,
}

impl Known {
    pub(crate) fn of(plant: &Plant) -> Self {
        let classes = plant.class_names().map(str::to_owned);
        let roles = plant.roles.iter().map(|role| role.name.to_string());
        Self {
            classes: classes.collect(),
            roles: roles.collect(),
        }
    }
}

/// Teaches the engine the verbs.
pub(crate) fn register(engine: &mut Engine, desk: &Rc<Desk>, known: Known) {
    engine.register_type_with_name::<Spoken>("verdict");
    let Known { classes, roles } = known;
    for verb in words::VERBS.iter().copied() {
        let word = verb.as_str();
        let notes = Rc::clone(desk);
        match verb {
            Verb::Advise | Verb::Alarm => {
                let roles = roles.clone();
                let say = move |context: NativeCallContext<'_>,
                                whom: Dynamic,
                                text: Dynamic|
                      -> Answer<Spoken> {
                    let whom = addressee(verb, &whom, &roles)?;
                    let text = reason(verb, &text)?;
                    Ok(notes.make(verb, whom, text, context.call_position()))
                };
                engine.register_fn(word, say);
            }
            _ => {
                let say = move |context: NativeCallContext<'_>, text: Dynamic| -> Answer<Spoken> {
                    let text = reason(verb, &text)?;
                    Ok(notes.make(verb, ImmutableString::new(), text, context.call_position()))
                };
                engine.register_fn(word, say);
                engine.register_fn(word, move || -> Answer<Spoken> {
                    Err(no_reason(verb).into())
                });
            }
        }
    }
    let class = move |said: &mut Spoken, class: Dynamic| -> Answer<Spoken> {
        said.class = Some(known_class(said, &class, &classes)?);
        Ok(said.clone())
    };
    engine.register_fn("class", class);
}

fn addressee(
    verb: Verb,
    whom: &Dynamic,
    roles: &BTreeSet<String>,
) -> Result<ImmutableString, Complaint> {
    let Some(name) = whom.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            codes::verb_given_first(verb.as_str(), describe(whom)),
            codes::mend_write(example(verb)),
        ));
    };
    if verb == Verb::Advise && !roles.contains(name.as_str()) {
        return Err(no_role(&name, roles.iter().map(String::as_str)));
    }
    Ok(name.clone())
}

/// How a verb is written.
pub(crate) fn example(verb: Verb) -> String {
    match verb {
        Verb::Advise => "advise(\"role\", \"what to plan\")".into(),
        Verb::Alarm => "alarm(\"name\", \"why\")".into(),
        _ => format!("{verb}(\"why\")"),
    }
}

fn reason(verb: Verb, text: &Dynamic) -> Result<ImmutableString, Complaint> {
    let Some(text) = text.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            codes::verb_given_reason(verb.as_str(), describe(text)),
            codes::mend_write(example(verb)),
        ));
    };
    if text.trim().is_empty() {
        Err(no_reason(verb))
    } else {
        Ok(text.clone())
    }
}

fn no_reason(verb: Verb) -> Complaint {
    Complaint::new(
        codes::verb_without_reason(verb.as_str()),
        codes::mend_write(example(verb)),
    )
}

fn known_class(
    said: &Spoken,
    class: &Dynamic,
    classes: &BTreeSet<String>,
) -> Result<ImmutableString, Complaint> {
    if !matches!(
        said.verb,
        Verb::Hold | Verb::HoldStation | Verb::HoldStratum
    ) {
        return Err(Complaint::new(
            codes::verb_without_class(said.verb.as_str()),
            codes::mend_only_a_hold(),
        ));
    }
    let Some(class) = class.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            codes::class_no_text(describe(class)),
            codes::mend_write(format!(".class(\"{}\")", first(classes))),
        ));
    };
    if !classes.contains(class.as_str()) {
        return Err(Complaint::new(
            codes::class_not_in_plant(class.as_str()),
            suggest(class.as_str(), classes.iter().map(String::as_str)),
        ));
    }
    Ok(class.clone())
}

fn first(classes: &BTreeSet<String>) -> &str {
    classes.first().map_or("", String::as_str)
}
