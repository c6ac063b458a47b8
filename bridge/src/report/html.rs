//! stub
pub fn html(_: &overspill_rules::home::Home, _: &super::Gathered) -> String {
    String::new()
}
