//! The nearest right name for a wrong one: of a key, a sensor. A suggestion is made
//! only if it is near enough to be what was meant; a far one misleads more than none.

/// The candidate most like `name`, if one is near enough.
fn nearest<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // Comparing costs the product of the lengths; nobody mistypes a name this long.
    if name.len() > 100 {
        return None;
    }
    let candidates: Vec<_> = candidates.into_iter().collect();
    mistyped(name, &candidates).or_else(|| shortened(name, &candidates))
}

fn mistyped<'c>(name: &str, candidates: &[&'c str]) -> Option<&'c str> {
    let length = name.chars().count();
    let allowed = (length / 3).max(1);
    candidates
        .iter()
        .map(|&candidate| {
            let exact = strsim::osa_distance(name, candidate);
            let folded = strsim::osa_distance(&name.to_lowercase(), &candidate.to_lowercase());
            (folded, exact, candidate)
        })
        // What shares no letter is not near, however short.
        .filter(|(folded, _, candidate)| {
            *folded <= allowed && *folded < length.min(candidate.chars().count())
        })
        .min()
        .map(|(.., candidate)| candidate)
}

/// The only candidate that has `name` among its words: `flow` for `return-flow`.
fn shortened<'c>(name: &str, candidates: &[&'c str]) -> Option<&'c str> {
    let mut such = candidates.iter().filter(|candidate| candidate.split(['-', ' ']).any(|word| word == name));
    such.next().filter(|_| such.next().is_none()).copied()
}

/// `did you mean …?`, if something is near enough.
pub fn did_you_mean<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    nearest(name, candidates).map(|candidate| format!("did you mean `{candidate}`?"))
}
