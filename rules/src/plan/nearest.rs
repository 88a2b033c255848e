//! The nearest right name for a wrong one: of a key, a sensor. A suggestion is made
//! only if it is near enough to be what was meant; a far one misleads more than none.

/// The candidate most like `name`, if one is near enough.
pub(crate) fn nearest<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    // Comparing costs the product of the lengths; nobody mistypes a name this long.
    if name.len() > 100 {
        return None;
    }
    let length = name.chars().count();
    let allowed = (length / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| {
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

/// `did you mean …?`, if something is near enough.
pub(crate) fn did_you_mean<'c>(name: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<String> {
    nearest(name, candidates).map(|candidate| format!("did you mean `{candidate}`?"))
}
