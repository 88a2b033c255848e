//! What the writer of a mail added. The body of a reply flows in, quote and all; out comes the one
//! line that decides: the first of the writer's own, above the quote or, if nothing stands there,
//! below it. Mail programs quote in many ways. A quote without marks is no danger: its first line
//! would have to be an answer by itself, which no line of a page is.

use super::Meaning;
use super::grammar::only_greets;

/// Lines that are looked at: an answer stands at the top, or below one page.
const MOST_LINES: usize = 1_000;

/// An attribution ("On Sunday … wrote:") takes so many lines at most.
const ATTRIBUTION: usize = 4;

/// How lines were broken (RFC 3676).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flow {
    /// A line is a line.
    Fixed,
    /// A blank at the end of a line says that it goes on in the next one.
    Flowed {
        /// That blank is none of the text.
        delete_blank: bool,
    },
}

/// A line with how deep it is quoted.
struct BodyLine {
    depth: usize,
    text: String,
}

impl BodyLine {
    fn is_blank(&self) -> bool {
        self.depth == 0 && self.text.trim().is_empty()
    }
}

/// The first line that is the writer's own and says more than a greeting; a greeting if there is
/// none.
pub fn first_own_line(body: &str, flow: Flow) -> Option<String> {
    let lines = lines(body, flow);
    let mut at = 0;
    let mut below_quote = false;
    let mut greeting = None;
    while let Some(line) = lines.get(at) {
        // A long quoted line that was broken leaves its end unmarked: it is no word of the writer.
        let broken_off = below_quote && !line.is_blank();
        let greets = line.depth == 0 && !broken_off && only_greets(&line.text);
        if greets && greeting.is_none() {
            greeting = Some(line.text.trim().to_owned());
        }
        if line.depth > 0 || broken_off || line.is_blank() || greets {
            below_quote = line.depth > 0 || broken_off;
            at += 1;
        } else if is_signature(&line.text) {
            return greeting;
        } else if let Some(quote) = attribution(lines.get(at..)?).filter(|_| !is_answer(&line.text)) {
            at += quote;
        } else {
            return Some(line.text.trim().to_owned());
        }
    }
    greeting
}

/// An answer right above an attribution is none of it.
fn is_answer(text: &str) -> bool {
    match Meaning::of(text) {
        Meaning::Has { .. } | Meaning::HandsOn { .. } => true,
        Meaning::Nothing(_) => false,
    }
}

/// RFC 3676, 4.3.
fn is_signature(text: &str) -> bool {
    text.trim_end() == "--"
}

/// How far the quote is off, if these lines only say whose it is: the last of them ends with a
/// colon, whatever the language.
fn attribution(lines: &[BodyLine]) -> Option<usize> {
    let quote = lines.iter().position(|line| line.depth > 0)?;
    let before = lines.get(..quote)?;
    let blanks = before.iter().rev().take_while(|line| line.is_blank()).count();
    let words = before.get(..quote - blanks)?;
    let closes = words.last()?.text.trim_end().ends_with(':');
    let is_one = words.len() <= ATTRIBUTION && !words.iter().any(BodyLine::is_blank);
    (closes && is_one).then_some(quote)
}

fn lines(body: &str, flow: Flow) -> Vec<BodyLine> {
    let mut lines: Vec<BodyLine> = Vec::new();
    let mut goes_on = false;
    for written in body.lines().take(MOST_LINES) {
        let mut line = marked(written, flow);
        let Flow::Flowed { delete_blank } = flow else {
            lines.push(line);
            continue;
        };
        let flows = line.text.ends_with(' ') && !is_signature(&line.text);
        if flows && delete_blank {
            line.text.pop();
        }
        match lines.last_mut().filter(|last| goes_on && last.depth == line.depth) {
            Some(last) if !is_signature(&line.text) => last.text.push_str(&line.text),
            _ => lines.push(line),
        }
        goes_on = flows;
    }
    lines
}

/// A line without its marks of a quote.
fn marked(written: &str, flow: Flow) -> BodyLine {
    let mut depth = 0;
    let mut text = written;
    loop {
        // Where lines flow, blanks in front are the text's; else many programs put one between.
        let next = match flow {
            Flow::Flowed { .. } => text.strip_prefix('>'),
            Flow::Fixed => text.trim_start().strip_prefix('>'),
        };
        let Some(next) = next else { break };
        depth += 1;
        text = next;
    }
    if matches!(flow, Flow::Flowed { .. }) {
        text = text.strip_prefix(' ').unwrap_or(text);
    }
    BodyLine { depth, text: text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOWED: Flow = Flow::Flowed { delete_blank: false };

    fn own(body: &str) -> Option<String> {
        first_own_line(body, Flow::Fixed)
    }

    #[test]
    fn what_stands_above_the_quote_decides() {
        let quote = "\n\nOn Sun, 29 Nov 2026 at 02:15, Halyard <watch@halyard.example> wrote:\n> lagoon: power-lost, \
                     critical, code K7Q3\n>\n> Have it: reply 4QTE\n";
        for (above, decides) in [
            ("4QTE", Some("4QTE")),
            ("Hello,\n\n4QTE", Some("4QTE")),
            ("ok\n4QTE", Some("4QTE")),
            ("next\n4QTE", Some("next")),
            ("\n\n  have it 4qte  \nBye", Some("have it 4qte")),
            ("I can't come.\n4QTE", Some("I can't come.")),
            ("", None),
            ("Hi!", Some("Hi!")),
            ("yes", Some("yes")),
            ("-- \n4QTE", None),
        ] {
            assert_eq!(own(&format!("{above}{quote}")).as_deref(), decides, "{above}");
        }
    }

    #[test]
    fn below_a_quote_the_first_line_of_ones_own_decides() {
        let body = "Halyard wrote on 29 November\nat 02:15:\n\n> lagoon: power-lost, code K7Q3\n>> 4QTE\n\n4QTE, on my way\n";
        assert_eq!(own(body).as_deref(), Some("4QTE, on my way"));
        assert_eq!(own("> page\n > code\n\nI have it 4QTE").as_deref(), Some("I have it 4QTE"));
    }

    #[test]
    fn the_end_of_a_broken_quoted_line_is_not_ones_own() {
        let combed = "> lagoon: power-lost, critical, since 02:14, tell the watch that you have it with\n4QTE\n> or call";
        assert_eq!(own(combed), None);
        assert_eq!(own("> with the code\n4QTE\n\nI can't come").as_deref(), Some("I can't come"));
    }

    #[test]
    fn flowing_lines_are_put_together_again() {
        let body = "4QTE \nis what you wrote, but I am \nin Faro\n\n> page \n> goes on\n";
        let line = first_own_line(body, FLOWED);
        assert_eq!(line.as_deref(), Some("4QTE is what you wrote, but I am in Faro"));
        let no_blank = Flow::Flowed { delete_blank: true };
        assert_eq!(first_own_line("4Q \nTE\n", no_blank).as_deref(), Some("4QTE"));
        assert_eq!(
            first_own_line(" > 4QTE\n", FLOWED).as_deref(),
            Some("> 4QTE"),
            "not a quote: RFC 3676, 4.4"
        );
        assert_eq!(first_own_line("> long \n> quote\n\n4QTE\n-- \nInes", FLOWED).as_deref(), Some("4QTE"));
    }

    #[test]
    fn nothing_of_ones_own_is_nothing() {
        for body in ["", "\n\n", "> 4QTE", ">4QTE\n> > 4QTE", "On Sunday Halyard wrote:\n\n> 4QTE\n"] {
            assert_eq!(own(body), None, "{body}");
        }
    }
}
