//! What a form sends, and what stands behind the question mark of an address: names and values,
//! bounded.

/// So many fields are looked at.
const MOST: usize = 24;

/// Names with their values, as they came.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct WebForm(Vec<(String, String)>);

impl WebForm {
    /// `application/x-www-form-urlencoded` (WHATWG URL, section 5); what is no text is left out.
    pub(super) fn of(text: &str) -> Self {
        let field = |part: &str| {
            let (name, value) = part.split_once('=').unwrap_or((part, ""));
            Some((decoded(name)?, decoded(value)?))
        };
        Self(text.split('&').filter(|part| !part.is_empty()).take(MOST).filter_map(field).collect())
    }

    /// The first value of this name that is not empty.
    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let mut found = self.0.iter().filter(|(known, _)| known == name);
        found.find(|(_, value)| !value.trim().is_empty()).map(|(_, value)| value.trim())
    }
}

fn decoded(text: &str) -> Option<String> {
    let mut octets = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(octet) = rest.next() {
        match octet {
            b'+' => octets.push(b' '),
            b'%' => {
                let digits = [rest.next()?, rest.next()?];
                octets.push(u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?);
            }
            other => octets.push(other),
        }
    }
    String::from_utf8(octets).ok()
}

#[cfg(any(test, feature = "fuzzing"))]
/// Fields are few, and a value that is found is not empty.
pub(super) fn promise(text: &str) {
    let form = WebForm::of(text);
    assert!(form.0.len() <= MOST);
    for (name, _) in &form.0 {
        assert!(form.get(name).is_none_or(|value| !value.is_empty() && value == value.trim()));
    }
}

#[cfg(test)]
mod tests {
    use super::WebForm;

    #[test]
    fn fields_are_read_as_browsers_write_them() {
        let form = WebForm::of("code=4QTE&why=new+pump%2C+%C3%A9t%C3%A9&empty=&answer=have&answer=next");
        assert_eq!(form.get("code"), Some("4QTE"));
        assert_eq!(form.get("why"), Some("new pump, été"));
        assert_eq!((form.get("empty"), form.get("none")), (None, None));
        assert_eq!(form.get("answer"), Some("have"));
        assert_eq!(WebForm::of("a=%zz&b=%f&c=%ff&=x&d=1").get("d"), Some("1"));
        assert_eq!(WebForm::of(&"a=1&".repeat(10_000)).0.len(), super::MOST);
    }
}
