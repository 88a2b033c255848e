//! A keeper's `hazard = "NAME"` with its parameters becomes the text of an ordinary alarm, which
//! is then read and checked like any other; what the keeper's table says itself comes first.
//! Findings inside the text point at the parameter they come from, or else at the hazard's name.

use super::context::{CheckContext, CheckedRelays};
use super::{Adds, Sensor, spoken};
use crate::condition::{Scope, is_word};
use crate::diagnostic::Finding;
use crate::diagnostic::did_you_mean;
use crate::diagnostic::{Item, Table, listed};
use crate::hazard::{self, Hazard, Piece, Role, Setting};
use crate::ids::TankId;
use crate::units::Quantity;
use crate::units::QuantityItem as _;
use crate::words;
use std::collections::BTreeMap;
use std::ops::Range;

/// More names than this are no help.
const MOST_OFFERED: usize = 12;

/// The text of an alarm that was made from a hazard.
pub(super) struct Expanded {
    pub(super) hazard: &'static Hazard,
    pub(super) text: String,
    /// What is wrong, for people, and with which part where there may be several.
    pub(super) title: String,
    /// Where the hazard is named.
    named: Range<usize>,
    /// Stretches of the text that are the keeper's own, and where they stand in the file.
    given: Vec<(Range<usize>, Range<usize>)>,
}

impl Expanded {
    /// The place in the keeper's file that a place in the text comes from.
    pub(super) fn place(&self, span: &Range<usize>) -> Range<usize> {
        let inside =
            |outer: &Range<usize>, inner: &Range<usize>| outer.start <= inner.start && inner.end <= outer.end;
        let own = self.given.iter().find(|(at, _)| inside(at, span) || inside(span, at));
        own.map_or_else(|| self.named.clone(), |(_, place)| place.clone())
    }
}

/// What a parameter stands for.
#[derive(Clone)]
struct Filling<'s> {
    text: String,
    /// Where the keeper wrote it.
    place: Option<Range<usize>>,
    sensor: Option<&'s Sensor>,
}

impl<'s> Filling<'s> {
    /// What the keeper did not write.
    fn found(text: &str, sensor: Option<&'s Sensor>) -> Self {
        Self { text: text.to_owned(), place: None, sensor }
    }
}

/// Fills a hazard in; nothing if it doesn't exist or lacks something.
pub(super) fn expand(
    named: Item<'_>,
    table: &Table<'_>,
    context: &CheckContext<'_>,
    scope: &Scope<'_>,
    relays: &CheckedRelays,
) -> Option<Expanded> {
    let name = named.text();
    if table.has("when") {
        let title = "an alarm has either `when` or `hazard`";
        let help = "the hazard's own text, to copy and change: `slackwater hazards show NAME`";
        table.note(Finding::error(table.key_span("when"), title, "the hazard says when").help(help));
        table.get("when");
    }
    let name = name?;
    let Some(hazard) = hazard::find(&name.it) else {
        let help = did_you_mean(&name.it, hazard::names())
            .unwrap_or_else(|| "`slackwater hazards` lists them".to_owned());
        return named.wrong(format!("there is no hazard `{}`", name.it), "not a known name", Some(help));
    };
    let maker = Maker { hazard, named, table, context, scope, relays };
    let before = context.errors();
    let mut given = BTreeMap::new();
    for (key, role) in &hazard.roles {
        if let Some(item) = table.get(key) {
            given.insert(key.as_str(), maker.part(key, role, item));
        }
    }
    for (key, setting) in &hazard.values {
        if let Some(item) = table.get(key) {
            given.insert(key.as_str(), maker.value(key, setting, item));
        }
    }
    if context.errors() > before {
        return None;
    }
    let given = given.into_iter().filter_map(|(key, filling)| Some((key, filling?))).collect();
    maker.fill(&given)
}

struct Maker<'m, 's> {
    hazard: &'static Hazard,
    named: Item<'m>,
    table: &'m Table<'m>,
    context: &'m CheckContext<'m>,
    scope: &'m Scope<'s>,
    relays: &'m CheckedRelays,
}

impl<'s> Maker<'_, 's> {
    /// A sensor, relay or battery that the keeper names.
    fn part(&self, key: &str, role: &Role, item: Item<'_>) -> Option<Filling<'s>> {
        let name = item.text()?;
        let place = Some(name.span.clone());
        if role.relay {
            self.context.relay(&name)?;
            return Some(Filling { text: name.it, place, sensor: None });
        }
        if role.battery {
            if !self.scope.batteries().any(|known| known == name.it) {
                let help = self.scope.meant(&name.it, self.scope.batteries());
                return item.wrong(format!("there is no battery `{}`", name.it), "not a known name", help);
            }
            return Some(Filling { text: name.it, place, sensor: None });
        }
        self.context.sensors.find(&name, self.context.findings)?;
        // A sensor that is wrong itself is reported at its own place.
        let sensor = self.scope.sensor(&name.it)?;
        if !role.fits(sensor) {
            let title = format!("`{}` measures {}", sensor.name, sensor.measure.name);
            let label = format!("`{key}` of `{}` is {}", self.hazard.name, role.words());
            return item.wrong(title, label, None);
        }
        Some(Filling { text: name.it, place, sensor: Some(sensor) })
    }

    /// A limit or a word that the keeper gives.
    fn value(&self, key: &str, setting: &Setting, item: Item<'_>) -> Option<Filling<'s>> {
        if setting.word_of.is_some() {
            let word = item.text()?;
            if !is_word(&word.it) {
                return item.wrong(format!("`{key}` is one of the sensor's words"), "not one word", None);
            }
            return Some(Filling { text: word.it, place: Some(word.span), sensor: None });
        }
        let wanted = Quantity::parse(&setting.example()).ok()?.unit.dimension;
        match setting.any {
            true => item.any_quantity().map(|_| ())?,
            false => item.quantity(wanted).map(|_| ())?,
        }
        let text = item.text()?;
        Some(Filling { text: text.it, place: Some(text.span), sensor: None })
    }

    /// The only sensor or battery that can play this part.
    fn inferred(&self, role: &Role) -> Option<Filling<'s>> {
        let mut found = self.candidates(role).into_iter();
        found.next().filter(|_| found.next().is_none() && !role.named)
    }

    /// The only relay that is proved by the sensor of one of the parts that the role cuts.
    fn cutter(&self, role: &Role, given: &BTreeMap<&str, Filling<'s>>) -> Option<Filling<'s>> {
        let parts = role.cuts.iter().filter_map(|part| self.filling(part, given)?.sensor);
        let cut: Vec<&Sensor> = parts.collect();
        let sees = |relay: &&super::Relay| {
            let proof = relay.proof.as_ref().map(|proof| proof.condition.sensors()).unwrap_or_default();
            let names = self.context.sensors.names();
            let mut seen = proof.iter().filter_map(|id| names.get(id.index()));
            relay.moves == Adds::Heat && seen.any(|name| cut.iter().any(|sensor| sensor.name == *name))
        };
        let mut found = self.relays.iter().flatten().filter(sees);
        let only = found.next().filter(|_| found.next().is_none())?;
        Some(Filling::found(&only.name, None))
    }

    fn candidates(&self, role: &Role) -> Vec<Filling<'s>> {
        if role.battery {
            return self.scope.batteries().map(|name| Filling::found(name, None)).collect();
        }
        let tank = self.table.peek("tank").and_then(|name| self.context.tanks.get(name));
        let here = |sensor: &&Sensor| match (role.site, tank) {
            (true, _) => sensor.tank.is_none(),
            (false, Some(tank)) => sensor.tank.is_some_and(|of| of.0 == tank),
            (false, None) => true,
        };
        let fitting = self.scope.sensors().filter(|sensor| role.fits(sensor)).filter(here);
        fitting.map(|sensor| Filling::found(&sensor.name, Some(sensor))).collect()
    }

    /// What a parameter stands for, if that is known.
    fn filling(&self, key: &str, given: &BTreeMap<&str, Filling<'s>>) -> Option<Filling<'s>> {
        if let Some(filling) = given.get(key) {
            return Some(filling.clone());
        }
        let filling = |text: &str| Filling::found(text, None);
        if let Some(role) = self.hazard.roles.get(key) {
            return if role.relay { self.cutter(role, given) } else { self.inferred(role) };
        }
        let setting = self.hazard.values.get(key)?;
        let Some(role) = &setting.word_of else { return setting.default.as_deref().map(filling) };
        let sensor = self.filling(role, given)?.sensor?;
        let says = |word: &&String| sensor.words().iter().any(|known| known.name == **word);
        let word = setting.first.iter().find(says).or(setting.first.first())?;
        Some(filling(word))
    }

    /// The first form for which everything is known and nothing that the keeper gave is idle.
    fn fill(&self, given: &BTreeMap<&str, Filling<'s>>) -> Option<Expanded> {
        let forms = self.hazard.forms();
        let known = |key: &&str| self.filling(key, given).is_some();
        let parts = || given.keys().filter(|key| !self.is_word(key));
        let uses_all = |form: &&toml::Table| {
            let needs = self.hazard.needs(form);
            parts().all(|key| needs.contains(key))
        };
        let possible: Vec<&toml::Table> = forms.iter().filter(uses_all).collect();
        if possible.is_empty() {
            let keys: Vec<&str> = parts().copied().collect();
            let title = format!("`{}` can't use {} together", self.hazard.name, listed(&keys));
            return self.named.wrong(
                title,
                "it looks at one or the other",
                Some("leave one of them out".to_owned()),
            );
        }
        let whole =
            |form: &&&toml::Table| self.hazard.needs(form).iter().all(known) && self.is_meant(form, given);
        let Some(form) = possible.iter().find(whole) else {
            // It may be that the sensor is there and mistaken, which is reported already.
            if !self.scope.is_whole() {
                return None;
            }
            let title = format!("`{}` lacks what it looks at", self.table.name);
            return self.named.wrong(title, "this hazard needs more", Some(self.offer(&possible, given)));
        };
        self.write(form, given)
    }

    /// Whether the form is for what these parts measure, where they do.
    fn is_meant(&self, form: &toml::Table, given: &BTreeMap<&str, Filling<'s>>) -> bool {
        let Some(of) = hazard::of_heated(form) else { return true };
        let needs = self.hazard.needs(form);
        let mut sensors = needs.iter().filter_map(|key| self.filling(key, given)?.sensor);
        let heated = |id: TankId| self.scope.tank(id).is_some_and(|tank| !tank.gear.unheated);
        sensors.all(|sensor| of.contains(&sensor.measure.name) && sensor.tank.is_some_and(heated))
    }

    /// `a battery runs low: UPS`: the title, and which part it is.
    fn title(&self, form: &toml::Table, given: &BTreeMap<&str, Filling<'s>>) -> String {
        let title = &self.hazard.title;
        let needs = self.hazard.needs(form);
        let named = needs.iter().filter(|key| self.hazard.roles.get(**key).is_some_and(|role| role.in_title));
        let parts = named.filter_map(|key| {
            let filling = self.filling(key, given)?;
            let Some(sensor) = filling.sensor else { return Some(self.battery_of(&filling.text)) };
            let tank = sensor.tank.and_then(|id| self.scope.tank(id));
            let place = tank.map_or("", |tank| tank.title.as_str());
            Some(words::without_place(&sensor.title, place).to_owned())
        });
        let parts: Vec<String> = parts.filter(|part| !title.contains(part.as_str())).collect();
        if parts.is_empty() { title.clone() } else { format!("{title}: {}", words::list(&parts)) }
    }

    /// What hangs on the battery, as people say it, or its own name.
    fn battery_of(&self, name: &str) -> String {
        let feeds = self.scope.battery(name).and_then(|battery| battery.feeds);
        let relay = feeds.and_then(|id| self.relays.get(id.index())?.as_ref());
        relay.map_or_else(|| spoken(name), |relay| format!("that of the {}", relay.title))
    }

    fn is_word(&self, key: &str) -> bool {
        self.hazard.values.get(key).is_some_and(|setting| setting.word_of.is_some())
    }

    /// What could be written to make a hazard whole.
    fn offer(&self, forms: &[&toml::Table], given: &BTreeMap<&str, Filling<'s>>) -> String {
        let missing = |form: &&toml::Table| {
            let needs = self.hazard.needs(form);
            let open = needs.into_iter().filter(|key| self.filling(key, given).is_none());
            let said = open.map(|key| match (self.hazard.roles.get(key), self.hazard.values.get(key)) {
                (Some(role), _) => {
                    let here = self.candidates(role);
                    match here.as_slice() {
                        [] => format!("`{key} = \"…\"`, {}", role.words()),
                        [only] => format!("`{key} = \"{}\"`", only.text),
                        many if many.len() > MOST_OFFERED => {
                            format!("`{key}`, one of {} that could be meant", many.len())
                        }
                        many => {
                            let names: Vec<_> = many.iter().map(|found| found.text.as_str()).collect();
                            format!("`{key}`, one of {}", listed(&names))
                        }
                    }
                }
                (None, Some(setting)) => format!("`{key} = \"{}\"`", setting.example()),
                (None, None) => key.to_owned(),
            });
            said.collect::<Vec<_>>().join(" and ")
        };
        let offers: Vec<_> = forms.iter().map(missing).filter(|offer| !offer.is_empty()).collect();
        format!("write {}", offers.join("; or "))
    }

    /// The text, with the keeper's own stretches noted.
    fn write(&self, form: &toml::Table, given: &BTreeMap<&str, Filling<'s>>) -> Option<Expanded> {
        let needs = self.hazard.needs(form);
        let fillings: Vec<_> = needs.iter().filter_map(|key| self.filling(key, given)).collect();
        let tank = self.table.peek("tank").map(str::to_owned).or_else(|| {
            let of = fillings.iter().filter_map(|filling| filling.sensor?.tank).next()?;
            self.context.tanks.names().get(of.index()).cloned()
        });
        let mut out = Expanded {
            hazard: self.hazard,
            text: String::new(),
            title: self.title(form, given),
            named: self.named.span(),
            given: Vec::new(),
        };
        if let Some(tank) = tank.as_ref().filter(|_| !self.table.has("tank")) {
            out.text += &format!("tank = \"{tank}\"\n");
        }
        for (key, value) in hazard::in_order(form) {
            out.text += &format!("{key} = ");
            let mut whole = true;
            let Expanded { text: words, given: places, .. } = &mut out;
            hazard::write_value(words, value, &mut |words, text| {
                for piece in hazard::pieces(text) {
                    let name = match piece {
                        Piece::Text(text) => {
                            *words += text;
                            continue;
                        }
                        Piece::Parameter(name) => name,
                    };
                    let tank = tank.as_deref().filter(|_| name == "tank");
                    let filling = tank.map(|tank| Filling::found(tank, None));
                    let Some(filling) = filling.or_else(|| self.filling(name, given)) else {
                        whole = false;
                        continue;
                    };
                    let start = words.len();
                    *words += &filling.text;
                    places.extend(filling.place.map(|place| (start..words.len(), place)));
                }
            });
            out.text.push('\n');
            if !whole {
                let title = format!("`{}` doesn't say for which tank", self.table.name);
                let help = "for instance `tank = \"lagoon\"`".to_owned();
                return self.named.wrong(title, "this hazard needs a tank", Some(help));
            }
        }
        Some(out)
    }
}

impl Role {
    fn fits(&self, sensor: &Sensor) -> bool {
        !self.relay && self.measures.iter().any(|name| name == "any" || *name == sensor.measure.name)
    }
}
