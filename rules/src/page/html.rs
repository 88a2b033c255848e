//! A page as the HTML part of a mail: one column, everything inline, nothing fetched, no script, no
//! colour of text or ground, so that a reader's own light or dark holds. Kinds differ by their
//! frame as well as by their words: a thick bar is trouble, double rules are calm, a dashed box is
//! a test. News, first step, what is done and how to answer stand within the first screen of a
//! phone.

use super::said::{DONE, Look, PageLine, PagePart, Said};
use crate::alarm::Priority;

const RULE: &str = "#808080";
const FONT: &str =
    "font-family:-apple-system,'Segoe UI',Roboto,Helvetica,Arial,sans-serif;font-size:16px;line-height:1.4";
const MONO: &str = "font-family:Menlo,Consolas,monospace";
/// Behind a number they must not break off to the next line.
const UNITS: [&str; 12] = ["°C", "°F", "L/h", "W", "A", "V", "cm", "mm", "min", "h", "s", "%"];

impl Said {
    /// The whole document.
    pub fn html(&self, code: &str) -> String {
        let mut rows = self.head(code);
        for part in &self.parts {
            rows += &row(&part_html(part, code));
        }
        if !self.foot.is_empty() {
            let lines: Vec<String> = self.foot.iter().map(|line| words(line, code)).collect();
            rows += &row(&format!(
                "<p style=\"margin:0;padding-top:8px;border-top:1px solid {RULE};font-size:14px\">{}</p>",
                lines.join("<br>\n")
            ));
        }
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta name=\"color-scheme\" content=\"light dark\">\n\
             <meta name=\"supported-color-schemes\" content=\"light dark\">\n\
             <style>:root{{color-scheme:light dark}}</style>\n\
             </head>\n\
             <body style=\"margin:0;padding:0;{FONT}\">\n<div role=\"main\">\n\
             <table role=\"presentation\" width=\"100%\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\">\
             <tr><td align=\"left\" style=\"padding:12px\">\n\
             <table role=\"presentation\" width=\"100%\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\" \
             style=\"max-width:560px;overflow-wrap:anywhere;{FONT}\">\n{rows}</table>\n\
             </td></tr></table>\n</div>\n</body>\n</html>\n"
        )
    }

    /// The heading in the frame that says which kind of page it is.
    fn head(&self, code: &str) -> String {
        let (frame, mark) = match self.kind {
            Look::Trouble => {
                // A shape for each rank, the same as on the page in the house.
                let mark = match self.rank {
                    Some(Priority::Critical) | None => "&#9670; ",
                    Some(Priority::High) => "&#9650; ",
                    Some(Priority::Medium) => "&#9632; ",
                    Some(Priority::Low) => "&#9679; ",
                };
                ("border-left:8px solid #d2451e;padding:2px 0 2px 12px".to_owned(), mark)
            }
            Look::Calm => {
                (format!("border-top:4px double {RULE};border-bottom:4px double {RULE};padding:10px 0"), "")
            }
            Look::Test => (format!("border:2px dashed {RULE};padding:10px 12px"), ""),
        };
        let lines: String = self
            .under
            .iter()
            .map(|line| format!("<p style=\"margin:4px 0 0\">{}</p>\n", words(line, code)))
            .collect();
        format!(
            "<tr><td style=\"{frame}\"><h1 style=\"margin:0;font-size:21px;line-height:1.25\">{mark}{}</h1>\n{lines}</td></tr>\n\
             <tr><td style=\"height:4px;font-size:8px;line-height:4px\">&nbsp;</td></tr>\n",
            words(&self.heading, code)
        )
    }
}

fn row(inner: &str) -> String {
    format!("<tr><td style=\"padding:0 0 8px\">{inner}</td></tr>\n")
}

fn part_html(part: &PagePart, code: &str) -> String {
    let mut html = format!(
        "<h2 style=\"margin:0;padding:6px 0 2px;font-size:16px;line-height:1.3;border-top:1px solid {RULE}\">{}</h2>",
        escape(part.title)
    );
    let plain = |words: &str| format!("<p style=\"margin:0 0 4px\">{words}</p>");
    for line in &part.lines {
        html += &match line {
            PageLine::Plain(text) => plain(&words(text, code)),
            PageLine::First(step) => format!(
                "<p style=\"margin:0 0 4px;font-size:18px\"><b>First: {}</b></p>",
                words(&step.said, code)
            ),
            PageLine::Step(number, step) => plain(&format!("{number}. {}", words(&step.said, code))),
            PageLine::Done(text) => plain(&format!("&#10003; {DONE}{}", words(text, code))),
            PageLine::At(time, text) => format!(
                "<table role=\"presentation\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\" style=\"{FONT}\"><tr>\
                 <td valign=\"top\" style=\"width:64px;padding:2px 10px 2px 0\">{}</td>\
                 <td valign=\"top\" style=\"padding:2px 0\">{}</td></tr></table>",
                words(time, code),
                words(text, code)
            ),
            PageLine::Link { words: text, address } => format!(
                "<a href=\"{}\" style=\"display:block;border:2px solid currentColor;padding:11px 12px;\
                 text-align:center;font-size:18px;font-weight:bold;text-decoration:none;color:inherit\">{}</a>",
                escape(address),
                escape(text.trim_end_matches(':'))
            ),
        };
    }
    html
}

/// Text for a paragraph: harmless, units kept to their numbers, telephone numbers to tap, codes to
/// read.
fn words(text: &str, code: &str) -> String {
    let mut out: Vec<String> = Vec::new();
    for word in text.split(' ') {
        let bare = word.trim_end_matches([',', '.', ';', ':', ')']);
        let follows_number =
            out.last().is_some_and(|last| last.ends_with(|sign: char| sign.is_ascii_digit()));
        match out.last_mut() {
            Some(last) if follows_number && UNITS.contains(&bare) => {
                *last += &format!("&nbsp;{}", escape(word))
            }
            _ if bare == code && !code.is_empty() => {
                let rest = word.get(bare.len()..).unwrap_or_default();
                out.push(format!("<b style=\"{MONO};letter-spacing:1px\">{bare}</b>{}", escape(rest)));
            }
            _ => out.push(escape(word)),
        }
    }
    telephone(&out.join(" "))
}

/// Numbers that begin with a plus are there to be tapped.
fn telephone(html: &str) -> String {
    let Some(at) = html.find('+') else { return html.to_owned() };
    let (head, rest) = html.split_at(at);
    let end = rest.char_indices().skip(1).find(|(_, sign)| !(sign.is_ascii_digit() || *sign == ' '));
    let number = rest.get(..end.map_or(rest.len(), |(end, _)| end)).unwrap_or_default().trim_end();
    let digits: String = number.chars().filter(char::is_ascii_digit).collect();
    let tail = rest.get(number.len()..).unwrap_or_default();
    if digits.len() < 6 {
        return html.to_owned();
    }
    format!("{head}<a href=\"tel:+{digits}\" style=\"color:inherit;white-space:nowrap\">{number}</a>{tail}")
}

fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            sign => out.push(sign),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_in_it_is_markup_or_fetched() {
        let said = Said {
            kind: Look::Trouble,
            heading: "Lagoon <b>\"x\"</b> & code 4QTE".to_owned(),
            under: vec!["<script>alert(1)</script>".to_owned()],
            ..Said::default()
        };
        let html = said.html("4QTE");
        assert!(!html.contains("<script") && html.contains("&lt;script&gt;"), "{html}");
        for sign in ["src=", "url(", "http:", "@import", "background"] {
            assert!(!html.contains(sign), "{sign}");
        }
    }

    #[test]
    fn units_stay_with_their_numbers_and_numbers_can_be_tapped() {
        assert_eq!(words("below 22 °C, then", ""), "below 22&nbsp;°C, then");
        assert_eq!(words("fish & 5 h", ""), "fish &amp; 5&nbsp;h");
        assert_eq!(
            words("Call Ines: +351 200 000 000.", ""),
            "Call Ines: <a href=\"tel:+351200000000\" style=\"color:inherit;white-space:nowrap\">+351 200 000 000</a>."
        );
        assert!(words("code 4QTE.", "4QTE").contains(">4QTE</b>."));
    }
}
