//! The two foreign controllers: run in legs, each going on from the last one's journal, so that there is load
//! for as long as it is wanted; and what they report.

use super::line::{BASE, Line, text};
use crate::support::{PATIENCE, repository};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Pieces of a leg.
const LEG: u64 = 300;

/// Names, and the MQTT version each speaks.
const STATIONS: [(&str, &str); 2] = [("s30", "3"), ("s31", "5")];

/// How the stations are run.
#[derive(Clone, Copy)]
pub struct Load {
    /// Of what each weighs.
    pub seeds: [u64; 2],
    /// Pieces a second, each.
    pub rate: u32,
}

/// One controller.
struct Station {
    name: &'static str,
    protocol: &'static str,
    seed: u64,
    rate: u32,
    port: u16,
    folder: PathBuf,
    /// Pieces when the present leg is over.
    count: u64,
    legs: u32,
    child: Child,
}

impl Station {
    fn start(line: &Line, which: usize, load: Load, count: u64) -> Self {
        let (name, protocol) = STATIONS[which];
        let folder = line.folder.path().join(name);
        let (seed, rate, port) = (load.seeds[which], load.rate, line.port());
        std::fs::create_dir_all(&folder).expect("a folder for the station");
        let child = launch(name, protocol, seed, rate, port, &folder, count, 1);
        Self {
            name,
            protocol,
            seed,
            rate,
            port,
            folder,
            count,
            legs: 1,
            child,
        }
    }

    fn next_leg(&mut self) {
        self.count += LEG;
        self.legs += 1;
        self.child = launch(
            self.name,
            self.protocol,
            self.seed,
            self.rate,
            self.port,
            &self.folder,
            self.count,
            self.legs,
        );
    }

    /// Whether the present leg is over; it must have ended well.
    fn is_over(&mut self) -> bool {
        let status = self.child.try_wait().expect("a child can be waited for");
        if let Some(status) = status {
            assert!(
                status.success(),
                "{} ended with {status}: {}",
                self.name,
                self.complaints()
            );
        }
        status.is_some()
    }

    fn complaints(&self) -> String {
        std::fs::read_to_string(self.folder.join("complaints")).unwrap_or_default()
    }

    fn report(&self) -> Report {
        let mut report = Report::default();
        for leg in 1..=self.legs {
            report.add(&rows(&self.folder, leg), leg == self.legs);
        }
        let complaints = self.complaints();
        assert!(complaints.is_empty(), "{}: {complaints}", self.name);
        report
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        // It has ended already, unless the test failed.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[expect(clippy::too_many_arguments, reason = "a command line has many")]
fn launch(
    name: &str,
    protocol: &str,
    seed: u64,
    rate: u32,
    port: u16,
    folder: &PathBuf,
    count: u64,
    leg: u32,
) -> Child {
    let complaints = std::fs::File::options()
        .create(true)
        .append(true)
        .open(folder.join("complaints"));
    Command::new("/usr/bin/python3")
        .arg(repository("tests/stations/station.py"))
        .args([
            "--protocol",
            protocol,
            "--base",
            BASE,
            "--station",
            name,
            "--closed-loop",
            "no",
        ])
        .args([
            "--port",
            &port.to_string(),
            "--seed",
            &seed.to_string(),
            "--rate",
            &rate.to_string(),
        ])
        .args([
            "--count",
            &count.to_string(),
            "--gross-share",
            "0.05",
            "--resend-s",
            "1",
            "--within-s",
            "3600",
        ])
        .arg("--state")
        .arg(folder)
        .arg("--report")
        .arg(folder.join(format!("report-{leg}")))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(complaints.expect("a file for what it complains of"))
        .spawn()
        .expect("python3 runs; install the Debian package python3-paho-mqtt")
}

fn rows(folder: &std::path::Path, leg: u32) -> Vec<Value> {
    let text = std::fs::read_to_string(folder.join(format!("report-{leg}")))
        .expect("the station's report");
    text.lines()
        .map(|line| serde_json::from_str(line).expect("a line of the report"))
        .collect()
}

/// A reading, and what the station knows of it.
#[derive(Debug)]
pub struct Reading {
    pub piece: String,
    /// Whether it was made to weigh far too little.
    pub gross: bool,
    /// How it ended.
    pub done: String,
    /// Every answer, in order.
    pub answers: Vec<Value>,
}

/// What a station saw and did.
#[derive(Debug, Default)]
pub struct Report {
    pub readings: BTreeMap<String, Reading>,
    /// What was obeyed last, by piece.
    pub obeyed: BTreeMap<String, Value>,
    /// Dispositions it had not asked for.
    pub unasked: Vec<Value>,
    pub holds: Vec<Value>,
}

impl Report {
    fn add(&mut self, rows: &[Value], last: bool) {
        for row in rows {
            match row["record"].as_str().unwrap_or_default() {
                // The journal remembers these; the last leg's report has all of them.
                "reading" if last => {
                    let reading = Reading {
                        piece: text(&row["piece"]),
                        gross: row["gross"] == true,
                        done: text(&row["done"]),
                        answers: row["answers"].as_array().cloned().unwrap_or_default(),
                    };
                    self.readings.insert(text(&row["id"]), reading);
                }
                "obeyed" if last => {
                    self.obeyed.insert(text(&row["piece"]), row.clone());
                }
                "unasked" => self.unasked.push(row.clone()),
                "hold" => self.holds.push(row.clone()),
                _ => {}
            }
        }
    }
}

/// Both controllers at work.
pub struct Stations([Station; 2]);

impl Stations {
    /// Starts them on their first leg.
    pub fn start(line: &Line, load: Load) -> Self {
        Self([0, 1].map(|which| Station::start(line, which, load, LEG)))
    }

    /// Starts them for so many pieces each and no more.
    pub fn start_for(line: &Line, load: Load, counts: [u64; 2]) -> Self {
        Self([0, 1].map(|which| Station::start(line, which, load, counts[which])))
    }

    /// Starts the next leg of whichever has ended its last.
    pub fn keep_busy(&mut self) {
        for station in &mut self.0 {
            if station.is_over() {
                station.next_leg();
            }
        }
    }

    /// Waits until both have had all answers.
    pub fn finish(&mut self) {
        for station in &mut self.0 {
            let at_its_rate = Duration::from_secs(station.count / u64::from(station.rate));
            let deadline = Instant::now() + PATIENCE + at_its_rate;
            while !station.is_over() {
                assert!(
                    Instant::now() < deadline,
                    "{} still waits for answers",
                    station.name
                );
                std::thread::park_timeout(Duration::from_millis(20));
            }
        }
    }

    /// How many pieces each has made.
    pub fn counts(&self) -> [u64; 2] {
        [self.0[0].count, self.0[1].count]
    }

    /// What each reports, by its name.
    pub fn reports(&self) -> BTreeMap<&'static str, Report> {
        self.0
            .iter()
            .map(|station| (station.name, station.report()))
            .collect()
    }
}
