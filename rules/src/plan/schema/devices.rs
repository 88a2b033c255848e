//! The tables of what hangs on a tank: pumps and heaters, batteries, sensors, relays.

use super::*;
use serde_json::{Value, json};

pub(super) fn device(what: &str, pumps: bool) -> Value {
    let mut device = closed(
        &[],
        [
            ("sensor", text("Shows whether it runs: a state, or watts.")),
            ("power", quantity("Rated.")),
            ("least", quantity("From this much on they run.")),
        ],
    );
    if let Some(keys) = device.get_mut("properties").and_then(Value::as_object_mut).filter(|_| !pumps) {
        keys.remove("least");
    }
    with(device, "description", json!(what))
}

pub(super) fn battery() -> Value {
    closed(
        &[],
        [
            ("feeds", text("The relay of what it feeds.")),
            ("voltage", quantity("Rated.")),
            ("capacity", quantity("Rated, in Ah.")),
            ("rated", quantity("The time that the capacity is rated for; 20 h if left out.")),
            (
                "kind",
                json!({ "enum": ["agm", "gel", "flooded", "lithium-iron", "lithium-ion"], "description": "Of battery; agm if left out." }),
            ),
            ("load", quantity("What it feeds draws.")),
            ("converter", quantity("Share of its power that reaches the load; all if left out.")),
            ("idle", quantity("What the converter draws by itself.")),
            ("charge", text("The sensor of its charge.")),
            ("runtime", text("The sensor of the time left, as a UPS reckons it.")),
        ],
    )
}

pub(super) fn sensor() -> Value {
    let pair = |what: &str| json!({ "type": "array", "items": reference("quantity"), "minItems": 2, "maxItems": 2, "description": what });
    let source = closed(
        &[],
        [
            ("ups", text("A UPS, by its name in the agent's configuration; its server speaks RFC 9271.")),
            ("one-wire", text("A thermometer on the board's 1-Wire bus: \"28-0316a4b2c1ff\".")),
            ("supply", text("A mains adapter or battery that the kernel knows: \"BAT0\".")),
            ("reads", json!({ "enum": readings(), "description": "What is asked of a UPS or a supply." })),
        ],
    );
    let available = closed(
        &["topic"],
        [
            ("topic", text("Where its sender says whether it is there; no wildcards.")),
            ("on", texts("How it says that it is there; \"online\" if left out.")),
            ("off", texts("How it says that it is not; \"offline\" if left out.")),
            ("pointer", text("Where it says so in a JSON document: RFC 6901.")),
            ("field", field_place("Where it says so in columns, named values, or a JSON array of objects.")),
        ],
    );
    let mut sensor = closed(
        &["every"],
        [
            ("title", text(TITLE)),
            ("topic", text("The MQTT topic that feeds it; no wildcards.")),
            ("source", source),
            ("tank", text("The tank it belongs to; the site if none.")),
            ("measures", json!({ "enum": measures(), "description": "What it measures." })),
            ("on", texts("How \"on\" is spelled in payloads.")),
            ("off", texts("How \"off\" is spelled in payloads.")),
            (
                "words",
                json!({ "type": "object", "additionalProperties": texts("Spellings of this word."), "description": "Other words, each with its spellings." }),
            ),
            ("unit", text("Of its numbers, unless the payload names its own.")),
            ("every", quantity("How often it reports.")),
            ("stale-after", quantity("Silent for longer than this is stale; three reports if left out.")),
            ("available", available),
            ("gateway", text("The radio or board that it shares with others.")),
            ("plausible", pair("Lowest and highest believable value.")),
            ("limits", pair("The band that the animals should live in, for the review.")),
            (
                "reject",
                json!({ "type": "array", "items": reference("quantity"), "description": "Values that mean \"nothing to say\"." }),
            ),
            (
                "max-rate",
                text("The fastest believable change, \"1 K/min\"; \"none\" switches the check off."),
            ),
            ("frozen-after", quantity("Unmoved for this long is not believed.")),
            ("resolution", quantity("The smallest step that its numbers show.")),
            ("pointer", text("Where the value stands in a JSON document: RFC 6901.")),
            ("senml", text("The record that carries the value: RFC 8428.")),
            (
                "field",
                field_place("Where the value stands in columns, named values, or a JSON array of objects."),
            ),
            ("unit-at", beside("Where its unit stands, in the way of the value's own place.")),
            (
                "measured-at",
                beside("Where the time of measuring stands, in the way of the value's own place."),
            ),
            ("scale", json!({ "type": "number", "description": "What is sent times this is meant." })),
            ("offset", json!({ "type": "number", "description": "And this added." })),
        ],
    );
    if let Some(keys) = sensor.as_object_mut() {
        let either = json!([{ "required": ["topic", "measures"] }, { "required": ["source"] }]);
        keys.insert("oneOf".to_owned(), either);
    }
    sensor
}

fn beside(description: &str) -> Value {
    json!({ "type": ["string", "integer"], "description": description })
}

fn field_place(description: &str) -> Value {
    let member = closed(
        &["is", "value"],
        [
            ("in", text("Where the array stands: RFC 6901; the document itself if left out.")),
            ("key", text("The member that tells its objects apart; `id` if left out.")),
            ("is", text("What that says.")),
            ("value", text("The member that holds the value.")),
        ],
    );
    json!({ "oneOf": [{ "type": "integer", "minimum": 1 }, { "type": "string" }, member], "description": description })
}

pub(super) fn relay() -> Value {
    let command = closed(
        &["topic", "on", "off"],
        [
            ("topic", text("Where commands go; of no other output, and of no sensor.")),
            ("on", text("Switches on.")),
            ("off", text("Switches off.")),
            (
                "inverted",
                json!({ "type": "boolean", "default": false, "description": "The words mean the opposite on purpose: the load is cut by switching on." }),
            ),
        ],
    );
    closed(
        &["command", "moves", "longest"],
        [
            ("title", text(TITLE)),
            ("command", command),
            (
                "moves",
                json!({ "enum": ["air", "heat", "water", "light"], "description": "What it adds while on; only air is ever added." }),
            ),
            (
                "proof",
                text("What proves that it is on, and how soon: \"air-pump-current > 0.05 A within 20 s\"."),
            ),
            (
                "safe",
                json!({ "enum": ["on", "off"], "default": "off", "description": "The state that the watch leaves it in; off unless it moves air." }),
            ),
            ("only-if", text("It is switched on only while this is known to be true.")),
            (
                "hold",
                text(
                    "How long it outlasts its alarms: \"10 min\", \"until return-flow > 200 L/h, at most 2 h\".",
                ),
            ),
            ("pause", quantity("The shortest time between two switchings; 1 min if left out.")),
            ("longest", quantity("The longest run of one stopgap.")),
        ],
    )
}
