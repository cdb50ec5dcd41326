//! A second reader of messages, written for the tests and sharing nothing with the first: its own JSON,
//! binary fractions instead of decimals, its own little list of units. What the program takes for a
//! measurement must be one here too, and the same number.
//!
//! Deliberately not here: why something is refused.

/// A JSON value; numbers as they were written.
#[derive(Clone, Debug, PartialEq)]
pub enum Node {
    Null,
    Bool,
    Number(String),
    Text(String),
    List(Vec<Node>),
    Map(Vec<(String, Node)>),
}

impl Node {
    /// The only member of that name.
    pub fn member(&self, name: &str) -> Option<&Node> {
        let Node::Map(members) = self else {
            return None;
        };
        let mut found = members.iter().filter(|(known, _)| known == name);
        let first = found.next()?;
        found.next().is_none().then_some(&first.1)
    }

    /// The item at a place.
    pub fn item(&self, index: usize) -> Option<&Node> {
        match self {
            Node::List(items) => items.get(index),
            _ => None,
        }
    }
}

/// Reads bytes as one JSON value.
pub fn json(bytes: &[u8]) -> Option<Node> {
    // A fixed buffer's own end.
    let bytes = match bytes {
        [before @ .., 0] => before,
        all => all,
    };
    let mut reader = Reader {
        rest: std::str::from_utf8(bytes).ok()?,
    };
    let node = reader.value()?;
    reader.space();
    reader.rest.is_empty().then_some(node)
}

struct Reader<'a> {
    rest: &'a str,
}

impl Reader<'_> {
    fn space(&mut self) {
        self.rest = self.rest.trim_start_matches([' ', '\t', '\n', '\r']);
    }

    fn take(&mut self, token: &str) -> bool {
        self.space();
        match self.rest.strip_prefix(token) {
            Some(rest) => {
                self.rest = rest;
                true
            }
            None => false,
        }
    }

    fn value(&mut self) -> Option<Node> {
        self.space();
        match self.rest.chars().next()? {
            'n' => self.take("null").then_some(Node::Null),
            't' => self.take("true").then_some(Node::Bool),
            'f' => self.take("false").then_some(Node::Bool),
            '"' => self.text().map(Node::Text),
            '[' => self.list(),
            '{' => self.map(),
            _ => self.number(),
        }
    }

    fn list(&mut self) -> Option<Node> {
        self.take("[");
        let mut items = Vec::new();
        if self.take("]") {
            return Some(Node::List(items));
        }
        loop {
            items.push(self.value()?);
            if self.take("]") {
                return Some(Node::List(items));
            }
            self.take(",").then_some(())?;
        }
    }

    fn map(&mut self) -> Option<Node> {
        self.take("{");
        let mut members = Vec::new();
        if self.take("}") {
            return Some(Node::Map(members));
        }
        loop {
            self.space();
            let name = self.text()?;
            self.take(":").then_some(())?;
            members.push((name, self.value()?));
            if self.take("}") {
                return Some(Node::Map(members));
            }
            self.take(",").then_some(())?;
        }
    }

    fn number(&mut self) -> Option<Node> {
        let end = self
            .rest
            .find(|c: char| !matches!(c, '0'..='9' | '-' | '+' | '.' | 'e' | 'E'));
        let (number, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
        let (length, whole) = number_length(number, &['.'])?;
        if length != number.len() || whole.is_empty() {
            return None;
        }
        self.rest = rest;
        Some(Node::Number(number.to_owned()))
    }

    fn text(&mut self) -> Option<String> {
        let mut text = String::new();
        let mut chars = self.rest.strip_prefix('"')?.chars();
        loop {
            match chars.next()? {
                '"' => break,
                '\\' => match chars.next()? {
                    'u' => text.push(escape(&mut chars)?),
                    'n' => text.push('\n'),
                    't' => text.push('\t'),
                    'r' => text.push('\r'),
                    'b' => text.push('\u{8}'),
                    'f' => text.push('\u{c}'),
                    c @ ('"' | '\\' | '/') => text.push(c),
                    _ => return None,
                },
                c if c < ' ' => return None,
                c => text.push(c),
            }
        }
        self.rest = chars.as_str();
        Some(text)
    }
}

/// The code point of a `\u` escape, or of two that make one. A lone surrogate is shown as the replacement
/// character: a JSON value may hold one, a name or number may not.
fn escape(chars: &mut std::str::Chars<'_>) -> Option<char> {
    let unit = |chars: &mut std::str::Chars<'_>| {
        let digits: String = chars.take(4).collect();
        let valid = digits.len() == 4 && digits.bytes().all(|b| b.is_ascii_hexdigit());
        valid
            .then(|| u32::from_str_radix(&digits, 16).ok())
            .flatten()
    };
    let first = unit(chars)?;
    if (0xd800..0xdc00).contains(&first) && chars.as_str().starts_with("\\u") {
        let mut ahead = chars.clone();
        ahead.nth(1);
        if let Some(second) = unit(&mut ahead).filter(|second| (0xdc00..0xe000).contains(second)) {
            *chars = ahead;
            return char::from_u32(0x10000 + ((first - 0xd800) << 10) + (second - 0xdc00));
        }
    }
    Some(char::from_u32(first).unwrap_or('\u{fffd}'))
}

/// How far a number reaches from the front of a text, and its whole digits.
fn number_length<'a>(text: &'a str, separators: &[char]) -> Option<(usize, &'a str)> {
    let digits = |text: &str| text.bytes().take_while(u8::is_ascii_digit).count();
    let mut at = usize::from(text.starts_with('-'));
    let start = at;
    at += digits(&text[at..]);
    let whole = &text[start..at];
    if whole.is_empty() || (whole.len() > 1 && whole.starts_with('0')) {
        return None;
    }
    if text[at..].starts_with(separators) {
        let count = digits(&text[at + 1..]);
        if count == 0 {
            return None;
        }
        at += 1 + count;
    }
    if text[at..].starts_with(['e', 'E']) {
        let sign = usize::from(text[at + 1..].starts_with(['+', '-']));
        let count = digits(&text[at + 1 + sign..]);
        if count > 0 {
            at += 1 + sign + count;
        }
    }
    Some((at, whole))
}

/// What a characteristic is measured in, told again by hand: unit, resolution, plausible band.
#[derive(Clone, Copy, Debug)]
pub struct Known {
    pub unit: &'static str,
    pub resolution: f64,
    pub plausible: (f64, f64),
    /// The unit of bare numbers, and whether `3,18` is one.
    pub bare: &'static str,
    pub comma: bool,
}

/// The value in the characteristic's unit, if it is a measurement at all; the outer error says that it is
/// none, the inner that its unit is beyond this reader.
pub fn measure(node: &Node, known: &Known) -> Result<f64, &'static str> {
    match node {
        Node::Map(_) => {
            let unit = match node.member("unit") {
                Some(Node::Text(unit)) => Some(strip(unit).to_owned()),
                Some(Node::Null) | None => None,
                Some(_) => return Err("a unit that is no text"),
            };
            match (node.member("spots"), node.member("value")) {
                (Some(spots), _) if *spots != Node::Null => mean(spots, known, unit.as_deref()),
                (_, Some(value)) => one(value, known, unit.as_deref()),
                _ => Err("no value"),
            }
        }
        Node::List(_) => mean(node, known, None),
        _ => one(node, known, None),
    }
}

fn mean(node: &Node, known: &Known, unit: Option<&str>) -> Result<f64, &'static str> {
    let Node::List(spots) = node else {
        return Err("spots that are no list");
    };
    let values: Vec<f64> = spots
        .iter()
        .map(|spot| one(spot, known, unit))
        .collect::<Result<_, _>>()?;
    if values.is_empty() {
        return Err("no spots");
    }
    Ok(values.iter().sum::<f64>() / values.len() as f64)
}

fn one(node: &Node, known: &Known, unit: Option<&str>) -> Result<f64, &'static str> {
    let (number, said) = match node {
        Node::Number(text) => (text.parse::<f64>().map_err(|_| "no number")?, None),
        Node::Text(text) => number_of(text, known.comma)?,
        _ => return Err("neither number nor text"),
    };
    let unit = said.as_deref().or(unit).unwrap_or(known.bare);
    convert(number, unit, known.unit)
}

fn strip(text: &str) -> &str {
    text.strip_suffix('\0').unwrap_or(text)
}

fn number_of(text: &str, comma: bool) -> Result<(f64, Option<String>), &'static str> {
    let text = strip(text).trim_matches(|c: char| c.is_ascii_whitespace());
    let text = text
        .strip_prefix('+')
        .filter(|rest| !rest.starts_with('-'))
        .unwrap_or(text);
    let separators: &[char] = if comma { &['.', ','] } else { &['.'] };
    let (length, _) = number_length(text, separators).ok_or("a text that is no number")?;
    let (number, rest) = text.split_at(length);
    let number = number
        .replace(',', ".")
        .parse()
        .map_err(|_| "a text that is no number")?;
    let unit = rest.trim_start_matches(|c: char| c.is_ascii_whitespace());
    Ok((number, (!unit.is_empty()).then(|| unit.to_owned())))
}

/// Factors of the units that appear in the tests, after UCUM 2.2, its tables of SI prefixes, avoirdupois
/// and international customary units; from memory. Each is (dimension, factor to its base).
const UNITS: &[(&str, char, f64)] = &[
    ("g", 'm', 1.0),
    ("kg", 'm', 1000.0),
    ("mg", 'm', 0.001),
    ("t", 'm', 1.0e6),
    ("[oz_av]", 'm', 28.349_523_125),
    ("[lb_av]", 'm', 453.592_37),
    ("m", 'l', 1.0e6),
    ("cm", 'l', 1.0e4),
    ("mm", 'l', 1000.0),
    ("um", 'l', 1.0),
    ("nm", 'l', 0.001),
    ("[in_i]", 'l', 25_400.0),
    ("[mil_i]", 'l', 25.4),
    ("cycles", 'c', 1.0),
];

fn convert(number: f64, from: &str, to: &str) -> Result<f64, &'static str> {
    let from = from.replace(['\u{b5}', '\u{3bc}'], "u");
    let kelvin = |unit: &str| match unit {
        "Cel" => Some((1.0, 273.15)),
        "K" => Some((1.0, 0.0)),
        "[degF]" => Some((5.0 / 9.0, 459.67 * 5.0 / 9.0)),
        _ => None,
    };
    if let (Some((factor, offset)), Some((_, zero))) = (kelvin(&from), kelvin(to)) {
        return Ok(number * factor + offset - zero);
    }
    let find = |code: &str| UNITS.iter().find(|(known, ..)| *known == code);
    match (find(&from), find(to)) {
        (Some((_, a, factor)), Some((_, b, own))) if a == b => Ok(number * factor / own),
        (Some(_), Some(_)) => Err("a unit of another kind"),
        _ => Err(FOREIGN),
    }
}

/// A unit this reader does not know.
pub const FOREIGN: &str = "a unit this reader does not know";

/// What the tests' plant measures, by station and characteristic.
pub fn known(characteristic: &str) -> Known {
    let (unit, resolution, plausible) = match characteristic {
        "mass" => ("g", 0.1, (200.0, 3000.0)),
        "fill" => ("g", 0.1, (0.0, 3000.0)),
        "shots" => ("cycles", 1.0, (0.0, 100_000.0)),
        "rim" => ("mm", 0.001, (30.0, 45.0)),
        "ra" => ("um", 0.01, (0.5, 8.0)),
        "wet" => ("um", 1.0, (1.0, 300.0)),
        "air" => ("Cel", 0.1, (0.0, 600.0)),
        "thickness" => ("um", 0.1, (1.0, 200.0)),
        other => panic!("{other} is not measured in the tests' plant"),
    };
    Known {
        unit,
        resolution,
        plausible,
        bare: unit,
        comma: false,
    }
}

/// Holds a count against what this reader makes of the same bytes.
pub fn check(count: i64, node: &Node, known: &Known) -> Result<bool, String> {
    let value = match measure(node, known) {
        Err(FOREIGN) => return Ok(false),
        Err(why) => return Err(format!("taken as {count} steps and is {why}: {node:?}")),
        Ok(value) => value,
    };
    let steps = value / known.resolution;
    if (count as f64 - steps).abs() > 0.5 + 1e-6 {
        return Err(format!("taken as {count} steps and is {steps}: {node:?}"));
    }
    Ok(true)
}

impl Known {
    /// Whether a value in its unit is plausible.
    pub fn plausible(&self, value: f64) -> bool {
        let (low, high) = self.plausible;
        (low - 1e-9..=high + 1e-9).contains(&value)
    }
}

#[test]
fn the_second_reader_reads() {
    let node = json(br#" {"a":[1,-0.5e3,"x\u00e9\ud83d\ude00\n"],"b":{"c":null,"c":true}} "#)
        .expect("JSON");
    assert_eq!(
        node.member("a").and_then(|a| a.item(1)),
        Some(&Node::Number("-0.5e3".into()))
    );
    assert_eq!(
        node.member("a").and_then(|a| a.item(2)),
        Some(&Node::Text("x\u{e9}\u{1f600}\n".into()))
    );
    assert_eq!(
        node.member("b").and_then(|b| b.member("c")),
        None,
        "twice is not one"
    );
    for text in [
        "",
        "{",
        "[1,]",
        "{\"a\":}",
        "NaN",
        "01",
        "1.",
        "+1",
        "\"\\x\"",
        "\"\u{1}\"",
        "1 2",
        "0x1F",
        "-",
    ] {
        assert_eq!(json(text.as_bytes()), None, "{text}");
    }
    let gram = known("mass");
    for (text, expect) in [
        ("\"1,5\"", None),
        ("\"1450 g\\u0000\"", Some(1450.0)),
        ("{\"value\":1.45,\"unit\":\"kg\"}", Some(1450.0)),
        ("[1449,1451]", Some(1450.0)),
        ("{\"value\":3,\"unit\":\"mm\"}", None),
    ] {
        let node = json(text.as_bytes()).expect("JSON");
        assert_eq!(measure(&node, &gram).ok(), expect, "{text}");
    }
}
