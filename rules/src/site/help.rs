//! What a helper needs who has never been here.

use crate::time::Span;
use std::fmt;

/// What a helper needs, of the site or of one tank.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Help {
    /// Which tank it is, for who has never seen it: `hall, the tall one`. Of a tank only.
    pub looks: Option<String>,
    /// Where things are, in the order of the file: `battery pump`, `hall cupboard, upper shelf`.
    pub places: Vec<(String, String)>,
    /// Whom to call, the first first.
    pub call: Vec<Callee>,
    /// The local emergency number.
    pub emergency: Option<Phone>,
    /// What a helper may do here, beyond the lines of cards that are for anyone.
    pub may: Vec<String>,
}

/// Somebody to call.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Callee {
    /// As pages say it.
    pub name: String,
    /// Who that is, for who does not know them: `Ines's brother`.
    pub who: Option<String>,
    /// The number, as it is dialled.
    pub phone: Phone,
}

/// A telephone number, which no log shows.
#[derive(Clone, PartialEq, Eq)]
pub struct Phone(pub(crate) String);

impl Callee {
    /// `Tom (Ines's brother): +351 200 000 000`
    pub fn with_number(&self) -> String {
        let who = self.who.as_ref().map(|who| format!(" ({who})")).unwrap_or_default();
        format!("{}{who}: {}", self.name, self.phone.dialled())
    }
}

impl Phone {
    /// As it is dialled, for a page.
    pub fn dialled(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Phone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Phone(…)")
    }
}

/// How long what carries the word goes on while the mains are out, as the keeper declares it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WithoutMains {
    /// The board that the watch runs on, if no UPS says it.
    pub watch: Option<Span>,
    /// The router, and with it mail and push.
    pub router: Option<Span>,
    /// The modem, and with it texts.
    pub modem: Option<Span>,
}
