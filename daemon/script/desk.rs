//! The desk on which the engine notes what happens in a call: verdicts made, doubts, and faults it goes on after.
//!
//! Deliberately not here: what is read off it when the call is over.

use crate::fault::{Complaint, Finding};
use chargehand_core::Verb;
use rhai::{ImmutableString, Position};
use std::cell::{Cell, RefCell};

/// A verdict inside the engine.
#[derive(Clone, Debug)]
pub(crate) struct Spoken {
    /// Its number within the call.
    pub(crate) number: usize,
    pub(crate) verb: Verb,
    /// The role that is advised, or the alarm that is raised.
    pub(crate) whom: ImmutableString,
    pub(crate) text: ImmutableString,
    pub(crate) class: Option<ImmutableString>,
}

/// Notes of the call that is running.
#[derive(Debug, Default)]
pub(crate) struct Desk {
    made: RefCell<Vec<(Verb, Position)>>,
    /// Set while a rule is tried at load: what is legal but doubtful is noted then.
    pub(crate) trying: Cell<bool>,
    remarks: RefCell<Vec<Finding>>,
    /// What went wrong in the call where the engine goes on as if nothing had.
    fault: RefCell<Option<Finding>>,
}

impl Desk {
    /// Forgets the call before.
    pub(crate) fn clear(&self) {
        self.made.borrow_mut().clear();
        self.fault.take();
    }

    /// Keeps what went wrong first.
    pub(crate) fn fault(&self, at: Position, complaint: Complaint) {
        self.fault.borrow_mut().get_or_insert((at, complaint));
    }

    pub(crate) fn remark(&self, at: Position, complaint: Complaint) {
        if self.trying.get() {
            self.remarks.borrow_mut().push((at, complaint));
        }
    }

    pub(crate) fn take_remarks(&self) -> Vec<Finding> {
        self.remarks.take()
    }

    /// Notes a verdict that was made.
    pub(crate) fn make(
        &self,
        verb: Verb,
        whom: ImmutableString,
        text: ImmutableString,
        at: Position,
    ) -> Spoken {
        let mut made = self.made.borrow_mut();
        made.push((verb, at));
        Spoken {
            number: made.len() - 1,
            verb,
            whom,
            text,
            class: None,
        }
    }

    /// What went wrong first where the engine went on.
    pub(crate) fn take_fault(&self) -> Option<Finding> {
        self.fault.take()
    }

    /// The verdicts made so far, and where.
    pub(crate) fn made(&self) -> Vec<(Verb, Position)> {
        self.made.borrow().clone()
    }
}
