//! Report and battery as pages.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::running::{HOME, Running, import};
use crate::support::Place;

fn fortnight() -> Place {
    let place = Place::with("Europe/London", HOME);
    import(&place, "2024-02-01", 0..14 * 1440, 0..0);
    place
}

const SPAN: &str = "from=2024-02-01&to=2024-02-14";

#[test]
fn the_report_is_that_of_the_command() {
    let place = fortnight();
    let program = Running::of(&place);
    let command = ["report", "home.toml", "--from", "2024-02-01", "--to", "2024-02-14", "--format"];
    let told = |format| place.done(&[&command[..], &[format]].concat());
    let json: Value = serde_json::from_str(&told("json")).unwrap();
    assert_eq!(program.json(&format!("/api/report?{SPAN}")), json);
    assert_eq!(program.page(&format!("/report.csv?{SPAN}")), told("csv"));
    let page = program.page(&format!("/report?{SPAN}"));
    for words in [
        "How much was it?",
        "What runs all night?",
        "Water &lt;tank&gt;",
        "Readings cover 100 % of this time",
        "href=\"/report.html?from=2024-02-01&#38;to=2024-02-14\"",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let made = format!("<dd>{:.1} kWh</dd>", json["solar_kwh"].as_f64().unwrap());
    assert!(page.contains(&made), "{made}");
    assert!(!page.contains("<tank>") && !page.contains("style=") && !page.contains("<style"));
    let nothing = program.page("/report?from=2023-02-01&to=2023-02-14");
    assert!(nothing.contains("Nothing is known of this time"));
    assert_eq!(program.get("/api/report?from=2023-02-01").status, 404);
}

#[test]
fn the_page_to_print_is_allowed_its_own_style_and_nothing_else() {
    let place = fortnight();
    let program = Running::of(&place);
    let printed = program.get(&format!("/report.html?{SPAN}"));
    let command = ["report", "home.toml", "--from", "2024-02-01", "--to", "2024-02-14", "--format", "html"];
    assert_eq!(printed.text, place.done(&command));
    let style = printed.text.split("<style>").nth(1).unwrap().split("</style>").next().unwrap();
    let mark = STANDARD.encode(Sha256::digest(style));
    assert!(printed.policy.contains(&format!("style-src 'sha256-{mark}'")), "{}", printed.policy);
    assert!(printed.policy.contains("default-src 'none'") && !printed.policy.contains("unsafe"));
    assert!(!printed.text.contains("style=\""));
}

#[test]
fn another_tariff_can_be_compared() {
    let place = fortnight();
    let program = Running::of(&place);
    let other = "%5Btariff%5D%0Acurrency%3D%22GBP%22%0Aimport%3D0.52%0Aexport%3D0.10%0A";
    let page = program.page(&format!("/report?{SPAN}&tariff={other}"));
    assert!(page.contains("by the other tariff"), "{page}");
    let json = program.json(&format!("/api/report?{SPAN}&tariff={other}"));
    let cost = |value: &Value| value.as_str().unwrap().parse::<f64>().unwrap();
    let (own, others) = (cost(&json["import_cost"]), cost(&json["other_tariff"]["import_cost"]));
    assert!((others * 1.05 - own * 2.0).abs() < 0.03, "{own} with VAT, {others} without");
    let wrong = program.get(&format!("/report?{SPAN}&tariff=import%3D0.52"));
    assert_eq!(wrong.status, 400);
    assert!(
        wrong.text.contains("aria-describedby=\"tariff-error\"") && wrong.text.contains("error["),
        "{}",
        wrong.text
    );
    let file = "%5Btariff%5D%0Acurrency%3D%22GBP%22%0Aimport_prices%3D%7Bfile%3D%22/etc/passwd%22%7D%0A";
    let refused = program.get(&format!("/report?{SPAN}&tariff={file}"));
    assert_eq!(refused.status, 400);
    assert!(
        refused.text.contains("can&#39;t be read here") && !refused.text.contains("root:"),
        "{}",
        refused.text
    );
}

#[test]
fn the_battery_is_that_of_the_command() {
    let place = fortnight();
    let program = Running::of(&place);
    let command = ["battery", "home.toml", "--sizes", "2,4", "--idle-w", "10", "--format", "json"];
    let told: Value = serde_json::from_str(&place.done(&command)).unwrap();
    assert_eq!(program.json("/api/battery?sizes=2,4&idle_w=10"), told);
    let page = program.page("/battery?sizes=2,4&idle_w=10&price_per_kwh=300");
    let saved = told[2]["saving"].as_str().unwrap();
    for words in ["What a battery would have done", "<svg", "What was assumed", "payback", saved] {
        assert!(page.contains(words), "{words}");
    }
    assert!(!page.contains("style="));
    assert!(!program.page("/battery").contains("The answer"), "nothing is worked out before it is asked");
}

#[test]
fn what_is_out_of_its_bounds_is_told_beside_its_field() {
    let place = fortnight();
    let program = Running::of(&place);
    for (query, field, why) in [
        ("sizes=big", "sizes", "that is no number"),
        ("sizes=2&power_kw=0", "power_kw", "it must be from 0.01 to 1000 kW"),
        ("sizes=2&charge_efficiency=95", "charge_efficiency", "it must be from 0.3 to 1; 0.95 is 95 %"),
        ("sizes=2&idle_w=NaN", "idle_w", "it must be from 0 to 1000 W"),
        ("sizes=2&price_per_kwh=cheap", "price_per_kwh", "that is no amount"),
    ] {
        let answer = program.get(&format!("/battery?{query}"));
        assert_eq!(answer.status, 400, "{query}");
        let error = format!("<p class=\"error\" id=\"{field}-error\">{why}");
        assert!(answer.text.contains(&error), "{query}: {}", answer.text);
        assert!(
            answer
                .text
                .contains(&format!("aria-describedby=\"{field}-hint {field}-error\" aria-invalid=\"true\""))
        );
        let program_error = program.get(&format!("/api/battery?{query}"));
        assert_eq!(program_error.status, 400);
        assert!(program_error.text.contains(&format!("{field}: {why}")), "{}", program_error.text);
    }
    for (query, why) in [
        ("sizes=2&reserve_kwh=3", "keep 3 kWh in reserve"),
        ("sizes=0", "sizes above 0"),
        ("sizes=2&from=2024-02-10&to=2024-02-01", "the beginning must be before the end"),
    ] {
        let answer = program.get(&format!("/battery?{query}"));
        assert_eq!(answer.status, 400, "{query}");
        assert!(answer.text.contains(why), "{query}: {}", answer.text);
    }
    let nothing = program.page("/battery?sizes=2&from=2020-02-10&to=2020-02-11");
    assert!(
        nothing.contains("This can&#39;t be told: the journal has no half hours of that time."),
        "{nothing}"
    );
}
