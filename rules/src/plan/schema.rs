//! The rule file as a JSON Schema, for completion in editors. It says which keys there are and
//! what kind of thing each holds; what they mean together only `check` knows. It is generated
//! from the same tables that the reader uses, and a test holds it to the reader's keys.

mod devices;

use devices::{battery, device, relay, sensor};

use super::alarm::PRIORITIES;
use super::measure::KINDS;
use super::sensor_source::readings;
use crate::card::{Act, Harm, LineKind, TEXT_LETTERS, Who};
use crate::hazard;
use serde_json::{Map, Value, json};

/// Where the committed file says it can be found.
const ID: &str = "urn:slackwater:rules";

const TITLE: &str = "As people read it; the key with spaces if left out.";
const HELPERS_MAY: &str = "What a helper may do, a line each.";

/// The schema, draft 2020-12.
pub fn schema() -> Value {
    let things = |what: &str, of: &str| json!({ "type": "object", "description": what, "additionalProperties": { "$ref": format!("#/$defs/{of}") } });
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": ID,
        "title": "Slackwater rule file",
        "type": "object",
        "additionalProperties": false,
        "properties": {
            "site": { "$ref": "#/$defs/site" },
            "tank": things("Systems of water, by name.", "tank"),
            "sensor": things("Measured quantities, by name.", "sensor"),
            "battery": things("What feeds something when the mains are out, by name.", "battery"),
            "relay": things("What the watch can switch, by name.", "relay"),
            "alarm": things("Conditions that call for a person, by name.", "alarm"),
            "callout": things("Who is told, how and when, by name.", "callout"),
            "work": things("Kinds of work on a tank, by name.", "work"),
            "card": things("First-aid steps of your own, by name.", "card"),
            "sight": { "$ref": "#/$defs/sight" },
            "drill": { "$ref": "#/$defs/drill" },
            "health": { "$ref": "#/$defs/health" },
            "watched": things("Other sites that this watch is the witness of, by name.", "watched"),
        },
        "$defs": {
            "quantity": {
                "type": "string",
                "description": "A number with its unit: \"420 L\", \"78 degF\", \"0.05 A\", \"5 min\".",
                "pattern": "^\\s*[+-]?[0-9.]",
            },
            "hours": {
                "type": "array",
                "description": "From and until, local time: [\"22:00\", \"07:30\"].",
                "items": { "type": "string", "pattern": "^[0-2][0-9]:[0-5][0-9]$" },
                "minItems": 2,
                "maxItems": 2,
            },
            "site": closed(&[], [
                ("name", text("As pages say it.")),
                ("where", places()),
                ("call", json!({
                    "type": "array",
                    "items": closed(&["name", "phone"], [("name", text("As pages say it.")), ("who", text("Who that is, for who does not know them.")), ("phone", text("As it is dialled."))]),
                    "description": "Whom a helper can call, the first first.",
                })),
                ("emergency", text("The local emergency number.")),
                ("helpers-may", texts(HELPERS_MAY)),
                ("without-mains", closed(&[], [
                    ("watch", quantity("How long the watch's board goes on, if no UPS says it.")),
                    ("router", quantity("How long the router goes on.")),
                    ("modem", quantity("How long the modem goes on.")),
                ])),
                ("altitude", quantity("Height above the sea.")),
                ("mains", text("The sensor that shows the mains; the only one need not be named.")),
            ]),
            "tank": tank(),
            "sensor": sensor(),
            "battery": battery(),
            "relay": relay(),
            "alarm": alarm(),
            "callout": callout(),
            "work": closed(&[], [
                ("pauses", json!({ "type": "array", "items": { "enum": measures() }, "description": "Measures whose alarms on the tank rest meanwhile." })),
                ("longest", quantity("It ends by itself after this.")),
                ("buttons", json!({
                    "type": "array",
                    "items": closed(&["topic", "press", "tank"], [
                        ("topic", text("The MQTT topic that the button speaks on.")),
                        ("press", text("What it says when it is pressed.")),
                        ("tank", text("The tank that it stands at.")),
                    ]),
                    "description": "Buttons that begin it, and end it if it is going on.",
                })),
            ]),
            "card": card(),
            "sight": closed(&[], [
                ("after", quantity("How long sight may be lost before the alarm is raised.")),
                ("pages-after", quantity("How long it may be lost before people are told; by the danger that it hides if left out.")),
                ("priority", priority()),
                ("callout", text("Who is told; \"none\" records it only.")),
                ("consequence-of", texts("Alarms that explain it.")),
            ]),
            "drill": closed(&[], [
                ("pages", text("When test pages go to everyone, local time: \"sunday 11:00\".")),
                ("within", quantity("How long a test page waits for its answer.")),
                ("outage", quantity("An outage drill older than this is due again.")),
            ]),
            "health": closed(&[], [
                ("after", quantity("How long a part of the watch itself may fail before it rings.")),
                ("priority", priority()),
                ("callout", text("Who is told; \"none\" records it only.")),
            ]),
            "watched": closed(&["key"], [
                ("name", text("As pages say it.")),
                ("key", text("The public half of its check-in key.")),
                ("every", quantity("How often it checks in.")),
                ("silent-after", quantity("It rings after so long without a check-in; five of them if left out.")),
                ("priority", priority()),
                ("callout", text("Who is told; \"none\" records it only.")),
                ("response", json!({
                    "anyOf": [{ "type": "string" }, { "type": "array", "items": { "type": "string" } }],
                    "description": "What to do, one action a line; \"card:NAME\" for the lines of a card.",
                })),
                ("hand-on", json!({ "type": "boolean", "description": "Rings too when an alarm is open there and its own pages reach nobody." })),
            ]),
        },
    })
}

/// The schema as the committed file has it.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

fn tank() -> Value {
    closed(
        &[],
        [
            ("title", text(TITLE)),
            ("place", text("Which tank it is, for a helper who has never seen it.")),
            ("where", places()),
            ("helpers-may", texts(HELPERS_MAY)),
            ("volume", quantity("Of its water, sump included.")),
            ("salinity", quantity("Of its water.")),
            (
                "stocking",
                json!({ "enum": ["light", "moderate", "heavy"], "description": "How much lives in it." }),
            ),
            ("photoperiod", reference("hours")),
            ("lid", json!({ "type": "boolean", "description": "A lid lies on it." })),
            (
                "footprint",
                json!({ "type": "array", "items": reference("quantity"), "minItems": 2, "maxItems": 2, "description": "Length and width of the open water." }),
            ),
            ("water", text("The thermometer in its water; the only one need not be named.")),
            ("sump", text("A second thermometer, in the sump.")),
            ("room", text("The room's thermometer; the site's only one need not be named.")),
            ("oxygen", text("The oxygen probe; the only one need not be named.")),
            ("heater", json!({ "anyOf": [{ "const": "none" }, device("The heater.", false)] })),
            ("spare", device("The second heater.", false)),
            ("lamp", device("The lamp.", false)),
            ("chiller", device("A chiller or fan.", false)),
            ("pumps", device("What moves its water.", true)),
            (
                "air",
                closed(
                    &["delivers", "depth"],
                    [
                        ("relay", text("The relay that switches it.")),
                        ("delivers", quantity("Air at the stone.")),
                        ("depth", quantity("Of the stone.")),
                        ("bubbles", json!({ "enum": ["coarse", "fine"], "description": "Of the stone." })),
                    ],
                ),
            ),
        ],
    )
}

fn places() -> Value {
    json!({
        "type": "object",
        "additionalProperties": { "type": "string" },
        "description": "Where a helper finds things: battery pump, torch, panel. No keys or codes of doors.",
    })
}

fn card() -> Value {
    let names = |choices: Vec<&str>, what: &str| json!({ "enum": choices, "description": what });
    let step = closed(
        &["do"],
        [
            ("do", text("One action, as pages say it.")),
            (
                "text",
                json!({ "type": "string", "maxLength": TEXT_LETTERS, "description": "The same for texts." }),
            ),
            ("for", names(Who::ALL.iter().map(|(name, _)| *name).collect(), "Who may do it.")),
            (
                "kind",
                names(
                    LineKind::ALL.iter().map(|(name, _)| *name).collect(),
                    "An act, what to look at before any act, or what to leave alone.",
                ),
            ),
            (
                "act",
                names(
                    Act::ALL.iter().map(|(name, _)| *name).collect(),
                    "Ticked when the watch has proved it.",
                ),
            ),
            (
                "heater-plug",
                json!({ "type": "boolean", "description": "It names a heater's plug: helpers are told how to know it." }),
            ),
            ("needs", names(Harm::ALL.iter().map(|(name, _)| *name).collect(), "Shown only against this.")),
        ],
    );
    let steps = json!({
        "type": "array",
        "items": { "anyOf": [{ "type": "string" }, step] },
        "minItems": 1,
        "description": "One action each, the most urgent first.",
    });
    closed(&["steps"], [("steps", steps)])
}

fn callout() -> Value {
    let step = closed(
        &["after", "to"],
        [("after", quantity("Since the call-out began.")), ("to", texts("\"contact.channel\", or a siren."))],
    );
    closed(
        &["steps"],
        [
            ("steps", json!({ "type": "array", "items": step, "minItems": 1 })),
            ("again", quantity("The last step repeats this often.")),
            ("lease", quantity("An answer holds this long.")),
            ("longest-lease", quantity("No answer holds longer; 12 h if left out.")),
            (
                "renew",
                quantity(
                    "When it has run out, whoever gave it is asked alone this long; 10 min if left out.",
                ),
            ),
            ("settle", quantity("How long all must be quiet before the all-clear.")),
            ("quiet", reference("hours")),
        ],
    )
}

/// Open for the parameters of its hazard, closed for anything else.
fn alarm() -> Value {
    let stopgap = closed(
        &["relay", "state"],
        [("relay", text("What to switch.")), ("state", json!({ "enum": ["on", "off"] }))],
    );
    let response = json!({
        "anyOf": [{ "type": "string" }, { "type": "array", "items": { "type": "string" } }],
        "description": "What to do, one action a line; \"card:NAME\" for the lines of a card.",
    });
    let names: Vec<&str> = hazard::names().collect();
    let mut alarm = closed(
        &[],
        [
            ("title", text("What is wrong, as people read it.")),
            ("hazard", json!({ "enum": names, "description": "A ready-made alarm." })),
            ("tank", text("The tank whose lives depend on it.")),
            ("when", text("Rings while this condition is true.")),
            ("worse", text("While this is true too, it is worse: an answered call-out resumes.")),
            ("deadband", quantity("How far back inside its limits a value must come.")),
            ("on-delay", quantity("True for this long before it rings.")),
            ("off-delay", quantity("False for this long before it returns.")),
            ("time-to-respond", quantity("How long a person has to act.")),
            ("priority", priority()),
            ("latching", json!({ "type": "boolean", "description": "Stays until a person resets it." })),
            (
                "longest-shelf",
                quantity("So long it may be shelved; 24 h if left out. Anything critical: 30 min at most."),
            ),
            ("cause", text("What usually causes it.")),
            ("consequence", text("What follows if nobody acts.")),
            ("response", response),
            ("callout", text("Who is told; \"none\" records it only.")),
            ("consequence-of", texts("Alarms whose episode explains this one.")),
            (
                "expected",
                texts("Those of them with which it comes as expected: it breaks no answer to them."),
            ),
            ("stopgap", stopgap),
        ],
    );
    let parameters = |hazard: &hazard::Hazard| {
        let roles = hazard.roles.iter().map(|(name, role)| (name.clone(), text(&role.words())));
        let values = hazard.values.iter().map(|(name, setting)| {
            (name.clone(), with(text(&setting.why()), "default", json!(setting.default)))
        });
        let properties: Map<String, Value> = roles.chain(values).collect();
        json!({
            "if": { "properties": { "hazard": { "const": hazard.name } }, "required": ["hazard"] },
            "then": { "description": hazard.about, "properties": properties },
        })
    };
    if let Some(keys) = alarm.as_object_mut() {
        keys.remove("additionalProperties");
        keys.insert("unevaluatedProperties".to_owned(), json!(false));
        keys.insert(
            "anyOf".to_owned(),
            json!([{ "required": ["when", "priority"] }, { "required": ["hazard"] }]),
        );
        keys.insert("allOf".to_owned(), hazard::library().iter().map(parameters).collect());
    }
    alarm
}

fn closed<const N: usize>(required: &[&str], properties: [(&str, Value); N]) -> Value {
    let properties: Map<String, Value> =
        properties.into_iter().map(|(key, value)| (key.to_owned(), value)).collect();
    json!({ "type": "object", "additionalProperties": false, "required": required, "properties": properties })
}

fn reference(of: &str) -> Value {
    json!({ "$ref": format!("#/$defs/{of}") })
}

fn quantity(what: &str) -> Value {
    json!({ "$ref": "#/$defs/quantity", "description": what })
}

/// With one more key.
fn with(mut object: Value, key: &str, value: Value) -> Value {
    if let Some(fields) = object.as_object_mut() {
        fields.insert(key.to_owned(), value);
    }
    object
}

fn text(what: &str) -> Value {
    json!({ "type": "string", "description": what })
}

fn texts(what: &str) -> Value {
    json!({ "type": "array", "items": { "type": "string" }, "description": what })
}

fn priority() -> Value {
    let names: Vec<&str> = PRIORITIES.iter().map(|(name, _)| *name).collect();
    json!({ "enum": names, "description": "By what follows, and how soon." })
}

fn measures() -> Vec<&'static str> {
    KINDS.iter().map(|kind| kind.name).collect()
}
