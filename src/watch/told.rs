//! What the watch tells: lines of what was heard, and events; as JSON for programs, as words for people.

use serde::Serialize;
use serde_json::{Value, json};

use super::rule::FalseAlarms;
use crate::book::Stamp;
use crate::score::{ClipVerdict, Half, Pattern};

/// State of a sensor's window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Heard {
    /// Departure at most 1.
    Steady,
    /// Departure above 1, at most 2.
    Drifting,
    /// Departure above 2.
    Departed,
    /// No verdict; the reason is given.
    Unjudged,
    /// The pump stands.
    Stopped,
}

impl Heard {
    /// Its name in the book and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::Drifting => "drifting",
            Self::Departed => "departed",
            Self::Unjudged => "unjudged",
            Self::Stopped => "stopped",
        }
    }
}

/// What one sensor heard in one window (schema `seatsong.watch-line/1`).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// End of the window.
    pub at: String,
    /// Pump.
    pub pump: String,
    /// Module.
    pub module: u32,
    /// Name of the spot.
    pub spot: String,
    /// State.
    pub state: Heard,
    /// Departure; 1.0 is the limit that a healthy window passes once in a hundred.
    pub departure: Option<f64>,
    /// Strokes a minute as heard.
    pub spm: Option<f64>,
    /// Whole strokes.
    pub strokes: Option<u32>,
    /// How well the sound follows one rhythm, 0 to 1.
    pub lock: Option<f64>,
    /// Level in dB re full scale.
    pub level_dbfs: Option<f64>,
    /// Windows outside the limit among the last n judged ones.
    pub outside: u32,
    /// Whether an alarm stands.
    pub alarm: bool,
    /// Shape of the change.
    pub pattern: Option<Pattern>,
    /// Half of the turn.
    pub half: Option<Half>,
    /// Change in dB within its band and arc.
    pub excess_db: Option<f64>,
    /// Why it was not judged.
    pub reason: Option<String>,
}

/// Something that happened (schema `seatsong.watch-event/1`).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    /// When.
    pub at: String,
    /// What.
    pub event: Kind,
    /// Pump, if it is about one.
    pub pump: Option<String>,
    /// Module, if it is about one.
    pub module: Option<u32>,
    /// Spot, if it is about one.
    pub spot: Option<String>,
    /// In words.
    pub text: String,
    /// Round that was kept, if one was.
    pub round: Option<i64>,
    /// The verdict that raised the alarm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Box<ClipVerdict>>,
    /// How often the rule cries wolf.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub false_alarms: Option<FalseAlarms>,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The watch began.
    Started,
    /// The watch ended.
    Ended,
    /// k of the last n windows of a spot lie outside.
    Alarm,
    /// n windows in a row lie within.
    AlarmOver,
    /// The pump stands.
    Stopped,
    /// The pump runs.
    Running,
    /// The device is gone; the watch waits for it.
    Gap,
    /// The device is back.
    Back,
    /// Sound was lost on the way.
    Lost,
    /// Windows were not judged because the computer was too slow.
    Behind,
    /// A round was kept.
    Kept,
    /// Hourly rounds were removed to keep to the limit on disk.
    Removed,
    /// The clips around alarms alone are larger than the limit on disk.
    Full,
    /// The accepted rounds have changed; the windows before no longer count.
    Baseline,
    /// The book could not take something; it is tried again.
    Trouble,
    /// A message to the webhook was given up.
    WebhookFailed,
}

impl Kind {
    /// Its name in the book and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Started => "started",
            Self::Ended => "ended",
            Self::Alarm => "alarm",
            Self::AlarmOver => "alarm-over",
            Self::Stopped => "stopped",
            Self::Running => "running",
            Self::Gap => "gap",
            Self::Back => "back",
            Self::Lost => "lost",
            Self::Behind => "behind",
            Self::Kept => "kept",
            Self::Removed => "removed",
            Self::Full => "full",
            Self::Baseline => "baseline",
            Self::Trouble => "trouble",
            Self::WebhookFailed => "webhook-failed",
        }
    }

    /// Whether a webhook is told: what someone away from the pump has to know.
    #[must_use]
    pub fn goes_out(self) -> bool {
        matches!(self, Self::Alarm | Self::AlarmOver | Self::Gap | Self::Back)
    }
}

impl Event {
    /// About the watch as a whole.
    #[must_use]
    pub fn new(at: &Stamp, event: Kind, text: impl Into<String>) -> Self {
        Self {
            at: at.text.clone(),
            event,
            pump: None,
            module: None,
            spot: None,
            text: text.into(),
            round: None,
            verdict: None,
            false_alarms: None,
        }
    }
}

/// One thing that is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// What the sensors of one pump heard in one window.
    Window(Vec<Line>),
    /// Something that happened.
    Event(Box<Event>),
}

impl Told {
    /// As JSON documents of one line each.
    #[must_use]
    pub fn json(&self) -> Vec<Value> {
        match self {
            Self::Window(lines) => lines.iter().map(|l| with_schema("seatsong.watch-line/1", l)).collect(),
            Self::Event(event) => vec![event.json()],
        }
    }

    /// As a line for a person.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Window(lines) => window_words(lines),
            Self::Event(e) => {
                let about = match (&e.pump, e.module) {
                    (Some(pump), Some(m)) => format!("{pump} module {m}: "),
                    (Some(pump), None) => format!("{pump}: "),
                    _ => String::new(),
                };
                format!("{}  {}  {about}{}", clock(&e.at), e.event.word().to_uppercase(), e.text)
            }
        }
    }
}

impl Event {
    /// As a JSON document.
    #[must_use]
    pub fn json(&self) -> Value {
        with_schema("seatsong.watch-event/1", self)
    }
}

fn with_schema(schema: &str, of: &impl Serialize) -> Value {
    let mut out = json!({"schema": schema});
    if let (Value::Object(to), Ok(Value::Object(from))) = (&mut out, serde_json::to_value(of)) {
        to.extend(from.into_iter().map(|(name, value)| (name, rounded(value))));
    }
    out
}

/// Numbers to the digits that mean something.
fn rounded(value: Value) -> Value {
    match value {
        Value::Number(n) if n.is_f64() => n.as_f64().map_or(Value::Null, |x| json!((x * 1e6).round() / 1e6)),
        Value::Array(all) => all.into_iter().map(rounded).collect(),
        Value::Object(all) => all.into_iter().map(|(k, v)| (k, rounded(v))).collect::<serde_json::Map<_, _>>().into(),
        other => other,
    }
}

/// `2026-11-25 06:30:12`, without the zone.
fn clock(at: &str) -> String {
    at.chars().take(19).collect::<String>().replacen('T', " ", 1)
}

fn window_words(lines: &[Line]) -> String {
    let Some(first) = lines.first() else { return String::new() };
    let spm = lines.iter().find_map(|l| l.spm.filter(|_| l.state != Heard::Stopped));
    let speed = spm.map_or("       ".to_owned(), |s| format!("{s:5.1}/min"));
    let parts: Vec<String> = lines.iter().map(line_words).collect();
    format!("{}  {}  {speed}  {}", clock(&first.at), first.pump, parts.join("  "))
}

fn line_words(l: &Line) -> String {
    let spot = if l.spot.eq_ignore_ascii_case("main") { String::new() } else { format!(":{}", l.spot) };
    let what = match (l.state, l.departure) {
        (Heard::Stopped, _) => "stopped".to_owned(),
        (Heard::Unjudged, _) | (_, None) => format!("unjudged ({})", l.reason.as_deref().unwrap_or("no reason known")),
        (Heard::Steady, Some(d)) => format!("{d:.2}"),
        (_, Some(d)) => format!("{d:.2} {}", l.state.word()),
    };
    format!("m{}{spot} {what}{}", l.module, if l.alarm { " ALARM" } else { "" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> Line {
        Line {
            at: "2026-11-25T06:30:12+01:00".into(),
            pump: "MP-1".into(),
            module: 2,
            spot: "main".into(),
            state: Heard::Departed,
            departure: Some(2.345_678_9),
            spm: Some(70.12),
            strokes: Some(40),
            lock: Some(0.9),
            level_dbfs: Some(-24.5),
            outside: 3,
            alarm: true,
            pattern: Some(Pattern::Hiss),
            half: Some(Half::Suction),
            excess_db: Some(4.0),
            reason: None,
        }
    }

    #[test]
    fn a_line_for_a_person_and_one_for_a_program() {
        let unjudged = Line {
            state: Heard::Unjudged,
            departure: None,
            alarm: false,
            spot: "guide".into(),
            reason: Some("clipped".into()),
            ..line()
        };
        let told = Told::Window(vec![line(), unjudged]);
        assert_eq!(
            told.words(),
            "2026-11-25 06:30:12  MP-1   70.1/min  m2 2.35 departed ALARM  m2:guide unjudged (clipped)"
        );
        let json = told.json();
        assert_eq!(json.len(), 2);
        assert_eq!(json[0].to_string().find("{\"schema\":\"seatsong.watch-line/1\",\"at\""), Some(0), "{}", json[0]);
        assert_eq!((&json[0]["departure"], &json[1]["departure"]), (&json!(2.345_679), &Value::Null));
        assert_eq!(
            (&json[0]["state"], &json[0]["half"], &json[0]["alarm"]),
            (&json!("departed"), &json!("suction"), &json!(true))
        );
    }

    #[test]
    fn an_event_has_the_same_name_everywhere() {
        let at = Stamp::parse("2026-11-25T06:30:12+01:00").unwrap();
        for kind in [
            Kind::Started,
            Kind::Ended,
            Kind::Alarm,
            Kind::AlarmOver,
            Kind::Stopped,
            Kind::Running,
            Kind::Gap,
            Kind::Back,
            Kind::Lost,
            Kind::Behind,
            Kind::Kept,
            Kind::Removed,
            Kind::Full,
            Kind::Baseline,
            Kind::Trouble,
            Kind::WebhookFailed,
        ] {
            let event = Event { pump: Some("MP-1".into()), ..Event::new(&at, kind, "text") };
            let json = event.json();
            assert_eq!(
                (json["schema"].as_str(), json["event"].as_str()),
                (Some("seatsong.watch-event/1"), Some(kind.word()))
            );
            assert!(
                Told::Event(Box::new(event)).words().ends_with(&format!("{}  MP-1: text", kind.word().to_uppercase()))
            );
        }
    }
}
