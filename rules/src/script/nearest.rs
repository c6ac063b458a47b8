//! The name that somebody probably meant.

/// The one of `known` that is most like `word`, where one is like enough to be worth suggesting.
pub(crate) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let best = known.into_iter().map(|name| (distance(&word, name), name)).min_by_key(|(d, _)| *d)?;
    let letters = word.chars().count().max(best.1.chars().count());
    let allowed = if letters <= 4 { 1 } else { 1 + letters / 4 };
    (best.0 <= allowed).then_some(best.1)
}

/// Letters to change; a beginning such as `spare` for `spare_w` counts as one, letters too many behind a name as two.
fn distance(word: &str, name: &str) -> usize {
    match word.len() >= 3 {
        true if name.starts_with(word) => 1,
        true if word.starts_with(name) => 2.min(word.len() - name.len()).max(1),
        _ => strsim::damerau_levenshtein(word, &name.to_lowercase()),
    }
}

/// `did you mean `x`?`, or the list of what there is, or nothing.
pub(crate) fn suggest<'a>(word: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> Option<String> {
    match nearest(word, known.clone()) {
        Some(name) => Some(format!("did you mean `{name}`?")),
        None => list(known).map(|all| format!("there is {all}")),
    }
}

/// Names as a list for people; `None` where there are none or too many to be of help.
pub(crate) fn list<'a>(names: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let names: Vec<String> = names.into_iter().map(|n| format!("`{n}`")).collect();
    (!names.is_empty() && names.len() <= 12).then(|| names.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_recognised_and_a_different_word_is_not() {
        assert_eq!(nearest("grid", ["grid_w", "solar_w"]), Some("grid_w"));
        assert_eq!(nearest("run_at", ["run", "run_at_w"]), Some("run_at_w"));
        assert_eq!(nearest("wtaer", ["car", "water"]), Some("water"));
        assert_eq!(nearest("Car", ["car", "water"]), Some("car"));
        assert_eq!(nearest("battery", ["car", "water"]), None);
        assert_eq!(suggest("pump", ["car", "water"]).as_deref(), Some("there is `car`, `water`"));
        assert_eq!(suggest("pump", []), None);
    }
}
