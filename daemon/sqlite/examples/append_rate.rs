//! How many records a second a ledger takes on this machine, and how that compares with a plain insert.
//!
//! `cargo run --release -p chargehand-sqlite --example append_rate -- [folder]`
//!
//! Batches of 512 records of about 600 bytes, each with a key; the plain table has the same columns, the
//! same unique key and the same flush at every commit, but no chain, no fence and no mentions. The two take
//! turns, because a shared machine's speed drifts. The figure holds for the disk under `folder`, by default
//! the system's temporary one.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement prints and needs a clock"
)]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use chargehand_ledger::{Batch, Digest, Entry, Key, Store};
use chargehand_sqlite::Sqlite;
use rusqlite::{Connection, params};

const BATCH: usize = 512;
const BATCHES: usize = 200;
const ROUNDS: usize = 5;

fn main() -> Result<(), Box<dyn Error>> {
    let parent = std::env::args_os()
        .nth(1)
        .map_or_else(std::env::temp_dir, PathBuf::from);
    let folder = parent.join(format!("chargehand-append-rate-{}", std::process::id()));
    std::fs::create_dir(&folder)?;
    let measured = measure(&folder);
    std::fs::remove_dir_all(&folder)?;
    measured
}

fn measure(folder: &Path) -> Result<(), Box<dyn Error>> {
    let batches = [batches(0), batches(1)];
    let mut rates = [const { Vec::new() }; 3];
    for round in 0..ROUNDS {
        rates[0].push(plain(&folder.join(format!("plain{round}")), &batches[0])?);
        rates[1].push(ledger(&folder.join(format!("bare{round}")), &batches[0])?);
        rates[2].push(ledger(&folder.join(format!("named{round}")), &batches[1])?);
    }
    let [plain, bare, named] = rates.map(median);
    println!(
        "records/s, median of {ROUNDS} rounds of {} records in batches of {BATCH}",
        BATCH * BATCHES
    );
    println!("plain insert, unique key       {plain:>9.0}");
    println!(
        "ledger, key                    {bare:>9.0}  {:.2} of plain",
        bare / plain
    );
    println!(
        "ledger, key and one mention    {named:>9.0}  {:.2} of plain",
        named / plain
    );
    Ok(())
}

fn batches(mentions: usize) -> Vec<Arc<[Entry]>> {
    let entry = |number: usize| {
        let payload = vec![b'p'; 200];
        Entry {
            at_us: number as i64,
            input: format!("{{\"number\":{number},\"text\":\"{}\"}}", "i".repeat(150)),
            outcomes: format!("[{{\"number\":{number},\"text\":\"{}\"}}]", "o".repeat(180)),
            keys: vec![Key {
                key: format!("s10/e1/{number:09}"),
                content: Digest::of(&payload),
            }],
            mentions: vec![format!("P{number:09}"); mentions],
            payload: Some(payload),
        }
    };
    (0..BATCHES)
        .map(|batch| (batch * BATCH..(batch + 1) * BATCH).map(entry).collect())
        .collect()
}

fn ledger(path: &Path, batches: &[Arc<[Entry]>]) -> Result<f64, Box<dyn Error>> {
    let mut store = Sqlite::open(path, "plant/line")?;
    let start = Instant::now();
    for entries in batches {
        store.append(Batch {
            entries: Arc::clone(entries),
            ..Batch::default()
        })?;
    }
    Ok(rate(start))
}

fn plain(path: &Path, batches: &[Arc<[Entry]>]) -> Result<f64, Box<dyn Error>> {
    let mut conn = Connection::open(path)?;
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.execute_batch(
        "CREATE TABLE record (seq INTEGER PRIMARY KEY, at_us INTEGER, input TEXT, payload BLOB,
            outcomes TEXT, chain BLOB, key TEXT UNIQUE, content BLOB)",
    )?;
    let start = Instant::now();
    for entries in batches {
        let tx = conn.transaction()?;
        let mut insert = tx.prepare_cached(
            "INSERT INTO record (at_us, input, payload, outcomes, chain, key, content)
                VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?;
        for Entry {
            at_us,
            input,
            payload,
            outcomes,
            keys,
            ..
        } in entries.iter()
        {
            let key = &keys[0];
            let content = key.content.0;
            insert.execute(params![
                at_us, input, payload, outcomes, content, key.key, content
            ])?;
        }
        drop(insert);
        tx.commit()?;
    }
    Ok(rate(start))
}

fn rate(start: Instant) -> f64 {
    (BATCH * BATCHES) as f64 / start.elapsed().as_secs_f64()
}

fn median(mut rates: Vec<f64>) -> f64 {
    rates.sort_by(f64::total_cmp);
    rates[rates.len() / 2]
}
