//! Replies as common mail programs make them.

/// The page that is quoted, as its receiver's program has it.
const PAGE: &str = "lagoon: power-lost, critical, since 02:14, code CODE\n\nHave it: reply CODE. Can't: reply NEXT CODE\n\nOpen the lid.";

/// A mail with these further headers.
pub(crate) fn mail(from: &str, headers: &str, body: &str) -> String {
    format!(
        "Return-Path: <ines@example.org>\nFrom: {from}\nTo: Halyard House <watch@example.org>\n\
         Subject: Re: lagoon: power-lost, critical, code K7Q3\nMessage-ID: <reply-{}@example.org>\n\
         MIME-Version: 1.0\n{headers}\n{body}",
        body.len()
    )
}

fn quote(code: &str) -> String {
    let lines: Vec<String> = PAGE.replace("CODE", code).lines().map(|line| format!("> {line}")).collect();
    lines.join("\n")
}

/// Plain text above the quote.
pub(crate) fn above(words: &str, code: &str) -> String {
    let body = format!(
        "{words}\n\nOn Sun, 29 Nov 2026 at 02:15, Halyard House <watch@example.org> wrote:\n{}\n",
        quote(code)
    );
    mail("Ines <Ines@Example.org>", "Content-Type: text/plain; charset=utf-8\n", &body)
}

/// Plain text below the quote.
pub(crate) fn below(words: &str, code: &str) -> String {
    let body = format!(
        "Halyard House wrote on 29 November 2026\nat 02:15:\n{}\n\n{words}\n\n-- \nInes\n",
        quote(code)
    );
    mail("\"Ines A.\" <ines@example.org>", "Content-Type: text/plain; charset=us-ascii\n", &body)
}

/// HTML and nothing else, in base64, with the page in a quote without marks of its own.
pub(crate) fn html_only(words: &str, code: &str) -> String {
    let page = PAGE.replace("CODE", code).replace('\n', "<br>");
    let html = format!(
        "<html><head><style>p{{margin:0}}</style></head><body dir=\"auto\"><div>{words}</div><div>Sent from my telephone</div>\
         <div><br></div><div class=\"quote\">On Sun, 29 Nov 2026, Halyard House wrote:<br><blockquote type=\"cite\">{page}</blockquote></div></body></html>"
    );
    let coded = base64(html.as_bytes());
    let headers = "Content-Type: text/html; charset=\"utf-8\"\nContent-Transfer-Encoding: base64\n";
    mail("ines@example.org", headers, &format!("{coded}\n"))
}

/// Both forms, the plain one quoted-printable and flowed.
pub(crate) fn flowed((first, second): (&str, &str), code: &str) -> String {
    let body = format!(
        "--b\nContent-Type: text/plain; charset=utf-8; format=flowed; delsp=no\nContent-Transfer-Encoding: quoted-printable\n\n\
         {first}=20\n{second}\n\n=E2=80=94 Ines\n\n{}\n--b\nContent-Type: text/html; charset=utf-8\n\n<p>something else</p>\n--b--\n",
        quote(code).replace('=', "=3D")
    );
    mail("Ines <ines@example.org>", "Content-Type: multipart/alternative; boundary=\"b\"\n", &body)
}

/// A fresh mail, that quotes nothing.
pub(crate) fn fresh(words: &str) -> String {
    mail("Ines <ines@example.org>", "Content-Type: text/plain\n", &format!("Hello,\n\n{words}\n"))
}

fn base64(octets: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut coded = String::new();
    for three in octets.chunks(3) {
        let bits = three
            .iter()
            .enumerate()
            .fold(0_u32, |bits, (at, octet)| bits | u32::from(*octet) << (16 - 8 * at));
        for at in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * at) & 63) as usize];
            coded.push(if at <= three.len() { char::from(letter) } else { '=' });
        }
    }
    let lines: Vec<&str> =
        coded.as_bytes().chunks(76).map(|line| std::str::from_utf8(line).unwrap_or("")).collect();
    lines.join("\n")
}
