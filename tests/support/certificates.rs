//! Certificates for tests, made by the script that a plant makes its own with, in a folder of their own.

// Each test program uses what it needs of this.
#![allow(dead_code)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

/// An authority and what it has issued; the folder goes when this is dropped.
pub struct Certificates(PathBuf);

impl Certificates {
    /// An authority, and a certificate for the broker at `localhost` and `127.0.0.1`.
    pub fn of_a_plant() -> Self {
        Self::of("Vennick")
    }

    /// The same, by an authority of this name.
    pub fn of(authority: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("certificates-{}-{number}", std::process::id());
        let made = Self(std::env::temp_dir().join(name));
        made.issue("authority", &[authority]);
        made.issue("broker", &["localhost", "127.0.0.1"]);
        made
    }

    /// Has one issued.
    pub fn issue(&self, what: &str, names: &[&str]) {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/certificates");
        succeeds(Command::new(script).arg(what).arg(&self.0).args(names));
    }

    /// Has one issued again that is valid between these days only, as `20260131`.
    pub fn limit(&self, name: &str, from: &str, until: &str) {
        let file = |end: &str| format!("{name}.{end}");
        let text = "[ca]\ndefault_ca = plant\n[plant]\ndatabase = index\nserial = serial\nnew_certs_dir = .\ndefault_md = sha256\n\
                    certificate = authority.crt\nprivate_key = authority.key\npolicy = any\ncopy_extensions = copy\nunique_subject = no\n\
                    [any]\ncommonName = supplied\n";
        for (name, text) in [("ca.cnf", text), ("index", ""), ("serial", "01\n")] {
            std::fs::write(self.path(name), text).expect("a file for the test");
        }
        let openssl = |arguments: &[&str]| {
            let mut openssl = Command::new("openssl");
            succeeds(openssl.args(arguments).current_dir(&self.0));
        };
        let (crt, key, csr) = (file("crt"), file("key"), file("csr"));
        openssl(&[
            "x509",
            "-x509toreq",
            "-in",
            &crt,
            "-signkey",
            &key,
            "-copy_extensions",
            "copyall",
            "-out",
            &csr,
        ]);
        openssl(&[
            "ca",
            "-batch",
            "-notext",
            "-config",
            "ca.cnf",
            "-in",
            &csr,
            "-out",
            &crt,
            "-startdate",
            &format!("{from}000000Z"),
            "-enddate",
            &format!("{until}000000Z"),
        ]);
    }

    /// Where one of its files is.
    pub fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    /// The lines by which a broker shows the certificate of the same folder and takes clients of its authority.
    pub fn listener(&self) -> Vec<String> {
        let line = |setting: &str, file: &str| format!("{setting} {}", self.path(file).display());
        vec![
            line("cafile", "authority.crt"),
            line("certfile", "broker.crt"),
            line("keyfile", "broker.key"),
        ]
    }
}

fn succeeds(command: &mut Command) {
    let output = command
        .output()
        .expect("it runs; install the Debian package openssl");
    assert!(
        output.status.success(),
        "{command:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}

impl Drop for Certificates {
    fn drop(&mut self) {
        // What is left behind in the temporary folder does no harm.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
