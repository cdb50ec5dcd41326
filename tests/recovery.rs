//! Kills. The real daemon and a real broker are killed under load from two foreign controllers, and what is
//! left is compared with what the controllers saw, with an observer of the bus, and with a run that nobody
//! disturbed. Beside those random kills stand some at instants that chance hits too seldom.
//!
//! The controllers (`tests/stations/station.py`) know the contract page and nothing of ours; what they weigh
//! depends on their seed alone, so they know what the answer has to be. Every random number comes from one
//! printed seed.
//!
//! Deliberately not here: power loss. A killed process loses what it has not written; what a disk loses that
//! was written is the affair of the ledger's own tests, but for the tail of the write-ahead file in `torn`.

mod book;
mod instants;
mod line;
mod observer;
mod proof;
mod proxy;
mod random;
mod silence;
mod stations;
mod torn;
