//! How a page says the ways to answer it. Which ways there are for this reader, on this channel,
//! now flows in from [`for_reader`](crate::plan::ways::for_reader); the lines that name them flow
//! out.

use super::facts::Facts;
use super::helping;
use super::said::PageLine;
use crate::plan::ways::{Way, for_reader};
use crate::site::Callee;

/// Stand for the code and for the reader's name in rule files in a way's words.
const CODE: &str = "{code}";
const READER: &str = "{reader}";

/// What a page asks for beside an answer.
pub(super) struct HelpAsked {
    /// The step to go on with once it is answered, if any comes after.
    pub(super) goes_on: Option<usize>,
    /// What whoever has no way to answer tells by phone beside the code.
    pub(super) tell: String,
}

impl HelpAsked {
    /// The steps go on below: nobody may take the answer for the end of them.
    fn then(&self) -> String {
        self.goes_on.map(|step| format!(" Then step {step}.")).unwrap_or_default()
    }

    /// When to call, of those who have no other way to answer.
    fn call(&self) -> String {
        match self.goes_on {
            Some(next) if next > 2 => format!("After step {} call", next - 1),
            Some(_) | None => "After the first step call".to_owned(),
        }
    }
}

impl Facts<'_> {
    pub(super) fn ways(&self) -> Vec<&Way> {
        let kind = self.plan.directory.channels.get(self.target).copied();
        for_reader(&self.plan.directory.ways, self.reader(), kind, self.at_hand)
    }

    /// The end of a text: how to answer it, and what that means.
    pub(super) fn short_answer(&self) -> String {
        in_short(&self.ways(), self.code, "I take care of it")
    }

    /// By which ways; and where an act is asked for, what an answer means, and at which step to go
    /// on then.
    pub(super) fn how_to_answer(&self, help: Option<&HelpAsked>) -> Vec<PageLine> {
        let ways = self.ways();
        if ways.is_empty() {
            return self.answer_by_phone(help);
        }
        let mut lines = lines(&ways, self.code, self.reader().map_or("", |(name, _)| name));
        // Where nothing easy is left, a call is what a person can always make.
        if ways.iter().all(|way| way.takes.is_some()) {
            let call = helping::callees(self.plan, self.reader()).next();
            lines.extend(call.map(|it| PageLine::of(format!("Or call {}.", it.with_number()))));
        }
        lines.extend(help.map(|help| PageLine::of(self.what_it_means() + &help.then())));
        lines
    }

    /// Whoever has no way to answer tells somebody who may have one; and goes on where nobody picks
    /// up: who is not at home must not stop the one who is.
    fn answer_by_phone(&self, help: Option<&HelpAsked>) -> Vec<PageLine> {
        let mut callees = helping::callees(self.plan, self.reader());
        let whom = callees.next().map_or_else(|| "whoever keeps the tanks".to_owned(), Callee::with_number);
        let other = callees.next().map(|it| format!(" Call {}.", it.with_number()));
        let (call, tell, then) = match help {
            Some(help) => (help.call(), help.tell.as_str(), help.then()),
            None => ("Call".to_owned(), "", String::new()),
        };
        let nobody = match (help, other) {
            (Some(_), None) => " Go on where it is dry; call again.".to_owned(),
            (Some(_), Some(other)) => format!("{other} Still none? Go on where it is dry; call again."),
            (None, None) => " Call again later.".to_owned(),
            (None, Some(other)) => other,
        };
        let code = self.code;
        vec![
            PageLine::of(format!(
                "{call} {whom}. Say: I take care of it, code {code}{tell}. A reply reaches nobody.{then}"
            )),
            PageLine::of(format!("No answer, or a voicemail?{nobody}")),
        ]
    }
}

/// The lines of a page.
pub(super) fn lines(ways: &[&Way], code: &str, reader: &str) -> Vec<PageLine> {
    let line = |way: &&Way| {
        let words = way.page.replace(CODE, code).replace(READER, reader);
        match &way.link {
            Some(link) => PageLine::Link { words, address: link.replace(CODE, code) },
            None => PageLine::Plain(words),
        }
    };
    ways.iter().map(line).collect()
}

/// The end of a text: how to answer it and what that says, or else its code alone. What stands
/// behind the colon may be texted too.
pub(super) fn in_short(ways: &[&Way], code: &str, meaning: &str) -> String {
    let short = ways.iter().find_map(|way| way.text.as_deref());
    short.map_or_else(|| format!("Code {code}"), |text| format!("{}: {meaning}", text.replace(CODE, code)))
}
