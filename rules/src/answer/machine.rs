//! Mail that a machine wrote: notices of absence, reports of delivery, lists. Each says so in its
//! headers, more or less. None is an answer, and none gets a reply: two machines would write to
//! each other all night.

/// What in these headers shows that a machine wrote the mail, if something does: names, and values
/// without their line breaks.
pub fn machine_made<'h>(headers: impl IntoIterator<Item = (&'h str, &'h str)>) -> Option<&'static str> {
    headers.into_iter().find_map(|(name, value)| {
        let (name, value) = (name.trim().to_ascii_lowercase(), value.trim().to_ascii_lowercase());
        match name.as_str() {
            // RFC 3834, section 5: anything but "no", whatever stands behind a semicolon.
            "auto-submitted" => {
                let word = value.split([';', '(', ' ']).next().unwrap_or_default();
                (word != "no").then_some("it says that it is automatic (Auto-Submitted)")
            }
            // RFC 3834, section 2; RFC 2076, 3.9.
            "precedence"
                if matches!(value.as_str(), "bulk" | "list" | "junk" | "auto_reply" | "auto-reply") =>
            {
                Some("it says that it is sent in bulk (Precedence)")
            }
            // RFC 2369 and RFC 2919.
            "list-id" | "list-unsubscribe" | "list-post" | "list-help" | "list-subscribe" | "list-owner"
            | "list-archive" => Some("it comes from a list"),
            // Before RFC 3834 each program had a mark of its own.
            "x-autoreply" | "x-autorespond" | "x-autoresponse" | "x-auto-reply" | "x-vacation"
            | "x-mailer-daemon" => Some("it says that it is automatic"),
            // RFC 3464 and RFC 8098.
            "content-type"
                if value.starts_with("multipart/report") || value.starts_with("message/delivery-status") =>
            {
                Some("it is a report of delivery")
            }
            "x-failed-recipients" => Some("it is a report of delivery"),
            // RFC 5321, 4.5.5: what has no sender is a report.
            "return-path" if value == "<>" => Some("it has no sender, as reports have none"),
            "from" if ["mailer-daemon@", "postmaster@"].iter().any(|robot| value.contains(robot)) => {
                Some("it is from a mail server")
            }
            _ => None,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::machine_made;

    #[test]
    fn what_declares_itself_automatic_is() {
        for (name, value) in [
            ("Auto-Submitted", "auto-replied"),
            ("auto-submitted", " AUTO-GENERATED; owner=x "),
            ("Auto-Submitted", "auto-notified"),
            ("Precedence", "bulk"),
            ("PRECEDENCE", "Auto_Reply"),
            ("List-Id", "Aquarists <list.example>"),
            ("List-Unsubscribe", "<mailto:x@list.example>"),
            ("X-Autoreply", "yes"),
            ("Content-Type", "multipart/report; report-type=delivery-status; boundary=b"),
            ("Return-Path", "<>"),
            ("From", "Mail Delivery <MAILER-DAEMON@mx.example>"),
            ("X-Failed-Recipients", "ines@halyard.example"),
        ] {
            assert!(machine_made([("Subject", "x"), (name, value)]).is_some(), "{name}: {value}");
        }
    }

    #[test]
    fn what_a_person_wrote_is_not() {
        let person = [
            ("Auto-Submitted", "no"),
            ("Auto-Submitted", "No (a person)"),
            ("Precedence", "first-class"),
            ("Return-Path", "<ines@halyard.example>"),
            ("From", "Ines <ines@halyard.example>"),
            ("Content-Type", "multipart/alternative; boundary=b"),
            ("Subject", "Auto-Submitted: auto-replied"),
        ];
        assert_eq!(machine_made(person), None);
    }
}
