//! Looks at the ledgers' disks, on a thread of its own: a disk that does not answer keeps nobody else waiting.

use super::vitals::Vitals;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// How often.
const LOOK: Duration = Duration::from_secs(5);

/// Looks at the disk of each ledger from now on, until the process ends.
///
/// # Errors
/// When the system gives no thread.
pub fn look_after(ledgers: Vec<(PathBuf, Arc<Vitals>)>) -> std::io::Result<()> {
    std::thread::Builder::new()
        .name("disk".into())
        .spawn(move || {
            loop {
                for (ledger, line) in &ledgers {
                    look(ledger, line);
                }
                std::thread::sleep(LOOK);
            }
        })?;
    Ok(())
}

/// The folder may come into being later: then its disk is that of the nearest that is there.
fn look(ledger: &Path, line: &Vitals) {
    let found = ledger
        .ancestors()
        .map(|place| match place.as_os_str().is_empty() {
            true => Path::new("."),
            false => place,
        })
        .find_map(|place| rustix::fs::statvfs(place).ok());
    match found {
        // What others than root may use.
        Some(disk) => line.disk(disk.f_bavail * disk.f_frsize, disk.f_blocks * disk.f_frsize),
        None => line.disk(0, 0),
    }
}
