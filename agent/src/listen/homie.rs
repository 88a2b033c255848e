//! Devices that describe themselves by the Homie convention, version 5: a retained JSON document on
//! `DOMAIN/5/DEVICE/$description` names the nodes of a device and the properties of each, with
//! datatype, unit and name; a property's value comes on `DOMAIN/5/DEVICE/NODE/PROPERTY`. The
//! convention is open: homieiot.github.io, "Homie: An MQTT Convention for IoT/M2M", 5.0. Written
//! from memory of it, for what is read here.

use super::Observations;
use super::payload::known_unit;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The level of a topic that says the version.
const VERSION: &str = "5";

/// What a device says of one property.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Described {
    /// Names of device, node and property, for what it may be.
    pub(super) words: String,
    /// Its unit, by its name here.
    pub(super) unit: Option<String>,
    pub(super) datatype: String,
    pub(super) device: String,
}

#[derive(Deserialize)]
struct Description {
    #[serde(default)]
    name: String,
    #[serde(default)]
    nodes: BTreeMap<String, Node>,
}

#[derive(Deserialize)]
struct Node {
    #[serde(default)]
    name: String,
    #[serde(default)]
    properties: BTreeMap<String, Property>,
}

#[derive(Deserialize)]
struct Property {
    #[serde(default)]
    name: String,
    #[serde(default)]
    datatype: String,
    #[serde(default)]
    unit: String,
}

/// Every described property, by its topic.
pub(super) fn descriptions(heard: &Observations) -> BTreeMap<String, Described> {
    let mut found = BTreeMap::new();
    for (topic, heard) in heard.topics() {
        let Some(device_topic) = topic.strip_suffix("/$description") else { continue };
        let mut levels = device_topic.rsplit('/');
        let (Some(device), Some(VERSION)) = (levels.next(), levels.next()) else { continue };
        let Ok(description) = serde_json::from_slice::<Description>(heard.last()) else { continue };
        for (node, about) in &description.nodes {
            for (property, its) in &about.properties {
                let words = format!("{} {} {node} {} {property}", description.name, about.name, its.name);
                let described = Described {
                    words,
                    unit: known_unit(&its.unit),
                    datatype: its.datatype.clone(),
                    device: device.to_owned(),
                };
                found.insert(format!("{device_topic}/{node}/{property}"), described);
            }
        }
    }
    found
}

/// Whether a topic is a device's own: its description, its state, its settings.
pub(super) fn is_of_device(topic: &str) -> bool {
    topic.split('/').any(|level| level.starts_with('$'))
}
