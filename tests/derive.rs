//! The pure derivation, through the library: no broker, no daemon, no clock. Messages are real bytes on
//! real topics; what follows is compared as text, as stored bytes, or with a second reader of our own.

mod behaviour;
mod charts;
mod eras;
mod fuzz;
mod golden;
pub mod memory;
mod order;
mod outside;
mod page;
mod second_reader;
mod shipped;
mod table;
mod values;
pub mod world;
