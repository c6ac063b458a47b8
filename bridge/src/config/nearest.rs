//! The valid name that somebody most likely meant.

/// The one of `names` that is nearest to `typed`, where one is near enough to be worth asking.
pub(crate) fn nearest<'a>(typed: &str, names: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let typed = typed.to_lowercase();
    let allowed = 1.max(typed.chars().count() / 3);
    names
        .filter_map(|name| {
            let lower = name.to_lowercase();
            let distance = strsim::osa_distance(&typed, &lower);
            let near = distance <= allowed && distance < lower.chars().count();
            let alike = strsim::jaro_winkler(&typed, &lower);
            (near || (alike > 0.9 && typed.len() > 3)).then_some((distance, name))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::nearest;

    #[test]
    fn slips_find_their_name_and_strangers_find_none() {
        let names = ["stale_after", "start_after", "stop_after", "topic", "unit"];
        let near = |typed| nearest(typed, names.into_iter());
        assert_eq!(near("stale_afer"), Some("stale_after"));
        assert_eq!(near("Topic"), Some("topic"));
        assert_eq!(near("tpoic"), Some("topic"));
        assert_eq!(near("units"), Some("unit"));
        assert_eq!(near("colour"), None);
        assert_eq!(near("x"), None);
    }
}
