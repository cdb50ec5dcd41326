//! `chargehand replay`, as a program: a ledger made by the real line, and what other rules or another plant
//! description would have changed in it. The recordings are short enough that what must change is known by
//! hand, from the masses and the limits alone. And what else the program makes of such a ledger: a story (`trace`), and cases
//! (`export`).

mod exported;
mod pieces;
mod recording;
mod requests;
mod stories;
mod texts;
mod wider;
