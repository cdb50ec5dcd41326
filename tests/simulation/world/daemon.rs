//! The daemon's lives in the world: its start from what the disk has, its turns, its words on their way, its end.

use super::{Happening, Life, MINUTE, STATIONS, World};
use crate::simulation::bus::{DAEMON, Message, SECOND, Up};
use crate::simulation::disk::DiskStore;
use crate::simulation::end::{Desk, End, Fuse, LineClock, Out};
use crate::simulation::promises::Broken;
use crate::simulation::stations::BASE;
use chargehand::run::{RecoverFault, Stands, WAIT_MAX, Worker, recover_on_word, stands};
use chargehand_core::{PersonWord, Span, Timestamp};
use chargehand_derive::Regime;
use chargehand_ledger::{Store as _, StoreError};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// How long the simulated line may have stood before a start wants a person's word that the clock is right.
const PAUSE: Span = Span::from_secs(3600);

impl World {
    pub(super) fn start(&mut self) -> Result<(), Broken> {
        let clock = Arc::new(LineClock::start(&self.times));
        let fuse = Fuse::default();
        if !self.calm && self.faults.kill.is_some() && self.chance.below(8) == 0 {
            // Dies again at its very beginning.
            fuse.set(self.chance.below(4) as u32 + 1);
        }
        let mut store = DiskStore::open(&self.disk, &fuse, &self.durable, BASE)
            .map_err(|fault| Broken(format!("the ledger does not open: {fault}")))?;
        self.promises.survived(&store)?;
        let Some(word) = self.word_of_the_clock(&store, &clock)? else {
            return Ok(());
        };
        let regime = Regime::of(self.texts.clone(), "the simulated plant")
            .map_err(|fault| Broken(fault.to_string()))?;
        let recovered = match recover_on_word(&mut store, regime, &*clock, word, None) {
            Ok(recovered) => recovered,
            Err(RecoverFault::Store(_)) if fuse.blown() || !self.calm => {
                self.gone();
                return Ok(());
            }
            Err(fault) => return Err(Broken(format!("the line does not come back: {fault}"))),
        };
        self.promises.follow(&store, &self.last)?;
        self.promises.same(recovered.derivation.line().state())?;
        let desk = Rc::new(RefCell::new(Desk::default()));
        let end = End {
            desk: Rc::clone(&desk),
            fuse: fuse.clone(),
            durable: Rc::clone(&self.durable),
        };
        let stop = Arc::new(AtomicBool::new(false));
        let batches_of = self.disk.borrow_mut().batches_of();
        let worker = Worker::new(
            recovered.derivation,
            Box::new(store),
            Box::new(end),
            Arc::clone(&clock) as Arc<dyn chargehand::run::Clock>,
            Arc::clone(&stop),
        )
        .with_snapshots_every(self.faults.snapshots)
        .alone_with_batches_of(batches_of);
        self.life = Some(Life {
            worker: Some(worker),
            desk,
            fuse,
            clock,
            stop,
            generation: None,
        });
        self.wake();
        self.happens(SECOND / 20, Happening::Connect(DAEMON));
        Ok(())
    }

    /// What a person says of the clock at a start, if the clock wants it; none where the start waits for the clock.
    fn word_of_the_clock(
        &mut self,
        store: &DiskStore,
        clock: &LineClock,
    ) -> Result<Option<Option<PersonWord>>, Broken> {
        let broken = |fault: StoreError| Broken(fault.to_string());
        match stands(store, clock, PAUSE).map_err(broken)? {
            Stands::Well => return Ok(Some(None)),
            Stands::Behind(by) if by <= WAIT_MAX && !self.calm => {
                self.happens(by.0, Happening::Start);
                return Ok(None);
            }
            Stands::Behind(_) | Stands::Ahead(_) => {}
        }
        self.tally.words += 1;
        let last = store.record(store.head().seq).map_err(broken)?;
        Ok(Some(Some(PersonWord {
            by: "AE-1".into(),
            new_ledger: None,
            clock_is_right: last.map(|last| Timestamp(last.at_us)),
        })))
    }

    /// The daemon's turn: rounds until it has nothing more to do, each looked at.
    pub(super) fn look(&mut self) -> Result<(), Broken> {
        loop {
            let Some(life) = &mut self.life else {
                return Ok(());
            };
            if life.stop.load(Ordering::Acquire) {
                return self.stop();
            }
            let ended = life.worker.as_mut().expect("not asked to stop").round();
            let dead = ended.is_err() || life.fuse.blown();
            let before = self.promises.followed;
            self.promises.follow(life.worker().store(), &self.last)?;
            self.hand_over()?;
            if dead {
                self.gone();
                return Ok(());
            }
            self.looked(self.promises.followed > before)?;
            let life = self.life.as_ref().expect("alive");
            let desk = life.desk.borrow();
            if desk.inbox.is_empty() && !desk.busy && life.worker().is_idle() {
                break;
            }
        }
        let wakes = self.life.as_ref().expect("alive").clock.wakes();
        self.look_at(wakes.max(self.now() + 1));
        Ok(())
    }

    /// After a round that went well; only what is recorded changes the line.
    fn looked(&mut self, recorded: bool) -> Result<(), Broken> {
        let now = self.now();
        let life = self.life.as_ref().expect("alive");
        if life.generation.is_some() {
            self.alive = now;
        }
        // What is derived and not flushed has no record to be compared with yet.
        if !recorded || !life.worker().is_idle() {
            return Ok(());
        }
        let line = life.worker().derivation().line();
        self.promises.same(line.state())?;
        for (name, ..) in STATIONS {
            match line.hold_view(name) {
                Some(view) if !view.holds.is_empty() => {
                    self.held.entry(name).or_insert(now);
                }
                _ => {
                    self.held.remove(name);
                }
            }
        }
        Ok(())
    }

    /// What the daemon handed over goes on its way, if there is a record behind it.
    fn hand_over(&mut self) -> Result<(), Broken> {
        let life = self.life.as_ref().expect("alive");
        let (desk, generation) = (Rc::clone(&life.desk), life.generation);
        let now = self.now();
        let out = std::mem::take(&mut desk.borrow_mut().out);
        for (durable, out) in out {
            let acknowledged = match &out {
                Out::Ack(token) => self.given.get(&(token.generation, token.packet)).copied(),
                _ => None,
            };
            self.promises.backed(durable, &out, acknowledged)?;
            match out {
                Out::Publish(publish) if Some(publish.generation) == generation => {
                    let message = Message {
                        topic: publish.topic,
                        payload: publish.payload,
                        qos: publish.qos,
                        retain: publish.retain,
                        expires: publish.expiry_s.map(|s| now + i64::from(s) * SECOND),
                        response_topic: None,
                        correlation: publish.correlation,
                    };
                    self.bus.up(DAEMON, Up::Publish(message, publish.tag), now);
                }
                Out::Ack(token) if Some(token.generation) == generation => {
                    self.bus.up(DAEMON, Up::Ack(token.packet), now);
                }
                Out::Bye => self.bus.up(DAEMON, Up::Bye, now),
                Out::Publish(_) | Out::Ack(_) => {}
            }
        }
        Ok(())
    }

    /// An orderly stop; the process may die in the middle of that, too, or find the disk full.
    fn stop(&mut self) -> Result<(), Broken> {
        self.tally.stops += 1;
        let life = self.life.as_mut().expect("alive");
        let worker = life.worker.take().expect("at work");
        let orderly = worker.run().1.is_ok() && !life.fuse.blown();
        self.hand_over()?;
        if orderly {
            self.life = None;
            self.starts_again();
        } else {
            self.gone();
        }
        Ok(())
    }

    /// The process is gone: the disk has what it has, the broker notices, somebody starts it again.
    fn gone(&mut self) {
        self.tally.deaths += 1;
        let now = self.now();
        self.disk.borrow_mut().survive();
        self.life = None;
        self.bus.cut(DAEMON, now);
        self.starts_again();
    }

    fn starts_again(&mut self) {
        self.look_at = None;
        self.given.clear();
        let mut after = self.below(MINUTE);
        if self.chance.below(2) == 0 {
            after /= 100;
        }
        self.happens(after, Happening::Start);
    }
}
