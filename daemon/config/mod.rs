//! The program's own settings, and what a line is called outside of it.
//!
//! Deliberately not here: what a plant description means.

mod settings;

pub use settings::{
    Bus, Format, Health, Identity, Ledger, Password, Settings, SettingsFault, SettingsFaults, Tls,
};

use std::path::{Path, PathBuf};

/// The MQTT client id of a line, from its base: `chargehand-vennick-castware-l1`.
#[must_use]
pub fn client_id(base: &str) -> String {
    format!("chargehand-{}", base.replace('/', "-"))
}

/// Whom the broker knows as one who looks, for a moment, at what it keeps of the line: where a client is called by its
/// user, the line's own would throw the line off.
#[must_use]
pub fn look_user(base: &str) -> String {
    format!("{}-look", client_id(base))
}

/// Whom the broker knows a station of a line as, or what else has a user of its own there: `vennick-castware-l1-s30`.
#[must_use]
pub fn user(base: &str, name: &str) -> String {
    format!("{}-{name}", base.replace('/', "-"))
}

/// The ledger file of a line in the ledger's folder, from its base: `vennick-castware-l1.db`.
#[must_use]
pub fn ledger_file(folder: &Path, base: &str) -> PathBuf {
    folder.join(format!("{}.db", base.replace('/', "-")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_its_own_client_and_file() {
        let base = "vennick/castware/l1";
        assert_eq!(client_id(base), "chargehand-vennick-castware-l1");
        let file = ledger_file(Path::new("ledger"), base);
        assert_eq!(file, Path::new("ledger").join("vennick-castware-l1.db"));
    }
}
