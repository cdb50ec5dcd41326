//! Reading ahead: records out of a store, and what can be made of each by itself, on a thread of its own, while whoever
//! works on them works.

use core::mem;
use core::ops::ControlFlow;
use std::panic::resume_unwind;
use std::sync::mpsc::sync_channel;
use std::thread;

use crate::{Record, Store, StoreError};

/// Records handed from one thread to the other at once, and how often before the first waits.
const TOGETHER: usize = 256;
const WAITING: usize = 8;

/// Hands what `open` makes of each record to `each`, in order, until it breaks off. `read` walks over the records; it and
/// `open` run on another thread, over a view of their own, where the store has one.
///
/// # Errors
///
/// Those of `read`, but for what lies behind the record at which it was broken off, and of making a view.
pub fn read_ahead<T: Send>(
    store: &dyn Store,
    read: impl FnOnce(&dyn Store, &mut dyn FnMut(Record) -> ControlFlow<()>) -> Result<(), StoreError>
    + Send,
    mut open: impl FnMut(&dyn Store, Record) -> T + Send,
    each: &mut dyn FnMut(T) -> ControlFlow<()>,
) -> Result<(), StoreError> {
    let Some(view) = store.beside()? else {
        return read(store, &mut |record| each(open(store, record)));
    };
    thread::scope(|scope| {
        let (send, receive) = sync_channel(WAITING);
        let reading = scope.spawn(move || {
            let mut batch = Vec::with_capacity(TOGETHER);
            let read = read(&*view, &mut |record| {
                batch.push(open(&*view, record));
                if batch.len() < TOGETHER {
                    return ControlFlow::Continue(());
                }
                let full = mem::replace(&mut batch, Vec::with_capacity(TOGETHER));
                match send.send(full) {
                    Ok(()) => ControlFlow::Continue(()),
                    // Nobody listens any more.
                    Err(_) => ControlFlow::Break(()),
                }
            });
            let _ = send.send(batch);
            read
        });
        let mut go_on = ControlFlow::Continue(());
        for batch in receive {
            go_on = batch.into_iter().try_for_each(&mut *each);
            if go_on.is_break() {
                break;
            }
        }
        let read = match reading.join() {
            Ok(read) => read,
            Err(panic) => resume_unwind(panic),
        };
        if go_on.is_break() { Ok(()) } else { read }
    })
}
