//! A link as a square that a phone's camera reads, for a terminal: two rows of modules in a line of
//! half blocks, light on dark written out, so that it works on any ground.

use qrcodegen::{QrCode, QrCodeEcc};

/// Modules of quiet around it (ISO/IEC 18004 asks for four; two are enough on a screen).
const QUIET: i32 = 2;

/// As wide as terminals are.
const WIDEST: i32 = 80;

/// The square; nothing if the text is too long for one that fits.
pub(crate) fn terminal(text: &str) -> Option<String> {
    let code = QrCode::encode_text(text, QrCodeEcc::Low).ok()?;
    let (from, to) = (-QUIET, code.size() + QUIET);
    if to - from > WIDEST {
        return None;
    }
    let mut out = String::new();
    for y in (from..to).step_by(2) {
        // Black on white, whatever the terminal's own colours are.
        out.push_str("\u{1b}[30;107m");
        for x in from..to {
            out.push(match (code.get_module(x, y), code.get_module(x, y + 1)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            });
        }
        out.push_str("\u{1b}[0m\n");
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_link_fits_a_terminal_of_eighty_columns() {
        let token = "x".repeat(43);
        let square = super::terminal(&format!("https://halyard.home.arpa:8740/in/{token}")).expect("it fits");
        let wide =
            square.lines().map(|line| line.chars().filter(|sign| "█▀▄ ".contains(*sign)).count()).max();
        assert!(wide.is_some_and(|wide| (20..=60).contains(&wide)), "{wide:?}");
    }
}
