//! One point as a line of the line protocol, which the write API takes.

use std::fmt::Write as _;

/// One point: what was measured, where, how much, when.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// What was measured; one of our own words.
    pub measurement: &'static str,
    /// Where: key and value. The keys are our own words; an empty value is left out, as the protocol has none.
    pub tags: Vec<(&'static str, String)>,
    /// How much. The names are our own words; numbers that are none (NaN, infinity) are left out.
    pub fields: Vec<(&'static str, f64)>,
    /// When, in milliseconds since 1970-01-01 UTC.
    pub at_ms: i64,
}

impl Point {
    /// Two points of one series at one time would be one: the later would replace the earlier.
    pub(super) fn series(&self) -> String {
        let mut text = self.measurement.to_owned();
        self.write_tags(&mut text);
        for (name, _) in &self.fields {
            let _ = write!(text, " {name}");
        }
        text
    }

    /// The line, without a line end; `None` when no field has a number.
    pub fn line(&self) -> Option<String> {
        let mut text = self.measurement.to_owned();
        self.write_tags(&mut text);
        let mut separator = ' ';
        for (name, value) in self.fields.iter().filter(|(_, value)| value.is_finite()) {
            // Without an ending a number is a float, whatever it looks like, so a field never changes its type.
            let _ = write!(text, "{separator}{name}={value}");
            separator = ',';
        }
        let _ = write!(text, " {}", self.at_ms);
        (separator == ',').then_some(text)
    }

    fn write_tags(&self, text: &mut String) {
        for (key, value) in self.tags.iter().filter(|(_, value)| !value.is_empty()) {
            let _ = write!(text, ",{key}=");
            escape(value, text);
        }
    }
}

/// Writes a tag's value. Comma, equals sign and space get a backslash, as the protocol says. It has no way to write a
/// control character (a line end would end the point), and parsers differ over a backslash itself: both are written
/// as `%` with two or more hexadecimal digits.
fn escape(value: &str, text: &mut String) {
    for c in value.chars() {
        match c {
            ',' | '=' | ' ' => {
                text.push('\\');
                text.push(c);
            }
            '\\' => text.push_str("%5C"),
            c if c.is_control() => {
                let _ = write!(text, "%{:02X}", u32::from(c));
            }
            c => text.push(c),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    fn point(tag: &str, value: f64) -> Point {
        Point {
            measurement: "grid",
            tags: vec![("home", "wren".to_owned()), ("point", tag.to_owned())],
            fields: vec![("power_w", value)],
            at_ms: 1_780_311_600_100,
        }
    }

    #[test]
    fn a_point_is_one_plain_line() {
        assert_eq!(
            point("grid", -1250.0).line().unwrap(),
            "grid,home=wren,point=grid power_w=-1250 1780311600100"
        );
    }

    #[test]
    fn what_is_no_number_is_left_out() {
        for none in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(point("grid", none).line(), None);
            let mut two = point("grid", none);
            two.fields.push(("voltage_v", 230.5));
            assert_eq!(two.line().unwrap(), "grid,home=wren,point=grid voltage_v=230.5 1780311600100");
        }
    }

    #[test]
    fn an_empty_tag_is_left_out() {
        assert_eq!(point("", 1.0).line().unwrap(), "grid,home=wren power_w=1 1780311600100");
    }

    #[test]
    fn hostile_names_are_escaped() {
        let line = point("a b,c=d\\\ne\"", 1.0).line().unwrap();
        assert_eq!(line, "grid,home=wren,point=a\\ b\\,c\\=d%5C%0Ae\" power_w=1 1780311600100");
    }

    proptest! {
        #[test]
        fn every_line_is_read_back_as_it_was_meant(
            name in "(?s).{1,40}",
            value in any::<f64>().prop_filter("finite", |v| v.is_finite()),
        ) {
            let meant = point(&name, value);
            let line = meant.line().unwrap();
            let parsed: Vec<_> =
                influxdb_line_protocol::parse_lines(&line).collect::<Result<_, _>>().unwrap();
            prop_assert_eq!(parsed.len(), 1);
            let parsed = &parsed[0];
            prop_assert_eq!(parsed.series.measurement.as_str(), "grid");
            prop_assert_eq!(parsed.timestamp, Some(meant.at_ms));
            let tags = parsed.series.tag_set.as_ref().unwrap();
            let written = |c: char| match c {
                '\\' => "%5C".to_owned(),
                c if c.is_control() => format!("%{:02X}", u32::from(c)),
                c => c.to_string(),
            };
            let expected: String = name.chars().map(written).collect();
            prop_assert_eq!(tags[1].1.as_str(), expected.as_str());
            let influxdb_line_protocol::FieldValue::F64(number) = &parsed.field_set[0].1 else {
                return Err(TestCaseError::fail("not a float"));
            };
            prop_assert_eq!(*number, value);
        }
    }
}
