//! What the line said, for people.

use serde_json::Value;
use std::fmt::{self, Write as _};

/// An open hold as a reply shows it.
pub(super) struct HoldShown<'r> {
    hold: &'r Value,
    /// What a release quotes.
    pub(super) seq: u64,
    /// The roles that may release it.
    pub(super) who: Vec<&'r str>,
}

impl<'r> HoldShown<'r> {
    pub(super) fn all(reply: &'r Value) -> impl Iterator<Item = Self> {
        let shown = reply["shown"].as_array().into_iter().flatten();
        shown.filter_map(|hold| {
            Some(Self {
                hold,
                seq: hold["seq"].as_u64()?,
                who: texts(&hold["who"]),
            })
        })
    }
}

impl fmt::Display for HoldShown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { hold, seq, who } = self;
        let text = |name: &str| hold[name].as_str().unwrap_or("?");
        let (id, class, since) = (text("id"), text("class"), text("since"));
        writeln!(
            f,
            "{id} of {}, class {class}, since {since}",
            of(&hold["of"])
        )?;
        writeln!(f, "  {}: {}", text("rule"), text("reason"))?;
        if let Some(first) = hold["asked_by"].as_str() {
            writeln!(
                f,
                "  {first} asked for its release, and a second person is needed"
            )?;
        }
        write!(f, "  to be released by {}; --seen {seq}", somebody(who))
    }
}

/// A reply in a line.
pub(super) fn reply(reply: &Value) -> String {
    let text = reply["text"].as_str().unwrap_or_default();
    let again = if reply["again"] == true {
        ", asked before"
    } else {
        ""
    };
    match (reply["result"].as_str(), reply["seen"].as_u64()) {
        (Some(result @ ("done" | "waiting")), Some(seen)) => {
            format!("{result}{again}: {text} (--seen {seen})")
        }
        (result, _) => format!("{}{again}: {text}", result.unwrap_or("no result")),
    }
}

/// What is open, a line each.
pub(super) fn open(base: &str, open: &Value) -> String {
    let count = |name: &str| open[name].as_u64().unwrap_or(0);
    let mut text = format!(
        "line {base}: {} of {}, {}, {} open",
        counted(count("holds"), "hold", "holds"),
        counted(count("pieces"), "piece", "pieces"),
        counted(count("alarms"), "alarm", "alarms"),
        counted(count("advisories"), "advisory", "advisories"),
    );
    let would = count("would_hold");
    if would > 0 {
        write!(
            text,
            "; where it only observes {} would be open",
            counted(would, "hold", "holds")
        )
        .expect("a string takes all");
    }
    let oldest = open["oldest"]
        .as_array()
        .map(Vec::as_slice)
        .unwrap_or_default();
    for line in oldest {
        let said = |name: &str| line[name].as_str().unwrap_or("?");
        let class = line["class"]
            .as_str()
            .map(|class| format!(", class {class}"));
        write!(
            text,
            "\n  since {}  {} {} of {}{}; {} must act",
            said("since"),
            said("kind"),
            said("id"),
            of(&line["of"]),
            class.unwrap_or_default(),
            somebody(&texts(&line["who"])),
        )
        .expect("a string takes all");
    }
    let all = count("holds") + count("alarms") + count("advisories");
    let rest = all.saturating_sub(oldest.len() as u64);
    if rest > 0 {
        write!(
            text,
            "\n  and {rest} more: `ask show` shows a hold by its id, and a piece by its name"
        )
        .expect("a string takes all");
    }
    text
}

/// An open advisory.
pub(super) fn advisory(open: &Value) -> String {
    let said = |name: &str| open[name].as_str().unwrap_or("?");
    format!(
        "{} to {} by {}, since {}\n  {}",
        said("id"),
        said("role"),
        said("rule"),
        said("since"),
        said("text")
    )
}

fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// What something is of: `station s60`, or of nothing that is named.
fn of(of: &Value) -> String {
    let named = of.as_object().into_iter().flatten();
    let named = named.map(|(kind, name)| format!("{kind} {}", name.as_str().unwrap_or("?")));
    let named: Vec<String> = named.collect();
    if named.is_empty() {
        "the line".to_owned()
    } else {
        named.join(", ")
    }
}

fn somebody(who: &[&str]) -> String {
    if who.is_empty() {
        "nobody the plant description names".to_owned()
    } else {
        who.join(" or ")
    }
}

fn texts(list: &Value) -> Vec<&str> {
    let list = list.as_array().into_iter().flatten();
    list.filter_map(Value::as_str).collect()
}
