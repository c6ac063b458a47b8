//! A year of half hours against a linear programme: `tests/data/battery_reference_2008_30min.csv`, solved by SciPy's HiGHS
//! apart from this program.

use serde_json::Value;

use crate::support::{Place, data};

const POINTS: &str = "[point.grid]\nmeasures = \"grid\"\ntopic = \"meter/grid\"\nunit = \"W\"\npositive = \"import\"\n\
                      interval = \"10s\"\n[point.solar]\nmeasures = \"solar\"\ntopic = \"meter/solar\"\nunit = \"W\"\n\
                      interval = \"10s\"\n";

const FLAT: &str = "[tariff]\ncurrency = \"GBP\"\nimport = 0.28\nexport = 0.05\n";

const BY_TIME: &str = "zone = \"UTC\"\n[tariff.window.night]\nfrom = \"00:00\"\nto = \"04:00\"\nprice = 0.12\n\
                       [tariff.window.peak]\nfrom = \"16:00\"\nto = \"19:00\"\nprice = 0.45\n";

fn year(tariff: &str) -> Place {
    let place = Place::with("UTC", &format!("{POINTS}{tariff}"));
    let names = [
        "timestamp_fixed_offset=time",
        "pv_kwh=solar_kwh",
        "import_kwh=grid_import_kwh",
        "export_kwh=grid_export_kwh",
    ];
    let rename = names.map(|name| ["--rename", name]).concat();
    let ignore = ["--ignore", "load_kwh", "--ignore", "load_filled_min"];
    let file = data("year_2008_30min.csv");
    place.done(&[&["import", "home.toml", file.to_str().unwrap()], &rename[..], &ignore].concat());
    place
}

fn json(place: &Place, more: &[&str]) -> Vec<Value> {
    let text = place.done(&[&["battery", "home.toml", "--format", "json"], more].concat());
    serde_json::from_str::<Vec<Value>>(&text).unwrap()
}

fn number(row: &Value, field: &str) -> f64 {
    match &row[field] {
        Value::String(text) => text.parse().unwrap(),
        other => other.as_f64().unwrap_or_else(|| panic!("{field} of {row}")),
    }
}

/// The reference by its columns, for each size, none first.
fn reference(column: &str) -> Vec<f64> {
    let text = std::fs::read_to_string(data("battery_reference_2008_30min.csv")).unwrap();
    let at = text.lines().next().unwrap().split(',').position(|name| name == column).unwrap();
    text.lines().skip(1).map(|line| line.split(',').nth(at).unwrap().parse().unwrap()).collect()
}

fn near(found: f64, wanted: f64, what: &str) {
    assert!((found / wanted - 1.0).abs() < 1e-4, "{what}: {found} for {wanted}");
}

#[test]
fn at_a_flat_price_it_imports_what_the_optimum_imports() {
    let rows = json(&year(FLAT), &["--sizes", "10,2.5,5"]);
    let sizes: Vec<f64> = rows.iter().map(|row| number(row, "size_kwh")).collect();
    assert_eq!(sizes, reference("cap_kwh"), "no battery first, then by size");
    for (n, row) in rows.iter().enumerate() {
        assert_eq!(row["strategy"], "store-surplus", "filling makes no difference at one price");
        near(number(row, "import_kwh"), reference("lp_import")[n], "import");
        near(number(row, "export_kwh"), reference("greedy_export")[n], "export");
        near(number(row, "cost"), reference("lp_cost_flat")[n], "cost");
        near(number(row, "power_kw") + 1.0, reference("power_kw")[n] + 1.0, "power");
        // 16707 half hours of the year were seen.
        let saved = reference("lp_cost_flat")[0] - reference("lp_cost_flat")[n];
        near(number(row, "saving") + 1.0, saved * 17520.0 / 16707.0 + 1.0, "saving in 365 days");
    }
    near(number(&rows[0], "covered"), 16707.0 / 17568.0, "coverage");
    near(number(&rows[0]["export_could_have"], "water_litres"), 2192.788 * 3600.0 / (4.186 * 50.0), "water");
    near(number(&rows[0]["export_could_have"], "car_km"), 2192.788 / 0.18, "car");
}

#[test]
fn by_time_of_use_three_ways_stand_side_by_side() {
    let place = year(&format!("{FLAT}{BY_TIME}"));
    let rows = json(&place, &["--sizes", "2.5,5,10", "--price-per-kwh", "400"]);
    let of = |strategy: &str| rows.iter().skip(1).filter(|r| r["strategy"] == strategy).collect::<Vec<_>>();
    let bound = reference("lp_cost_tou");
    near(number(&rows[0], "cost"), bound[0], "no battery");
    for (n, most) in [(1, 1.02), (2, 1.05), (3, 1.09)] {
        near(number(of("foresight")[n - 1], "cost"), bound[n], "foresight");
        near(number(of("store-surplus")[n - 1], "import_kwh"), reference("lp_import")[n], "storing surplus");
        let share = number(of("fill-cheap")[n - 1], "cost") / bound[n];
        assert!((1.0..most).contains(&share), "{share}");
    }
    let row = of("fill-cheap")[2];
    assert_eq!(row["price"], "4000.00");
    let years = number(row, "payback_years");
    assert!((years - 4000.0 / number(row, "saving")).abs() < 0.06, "{years}");
    near(number(row, "cycles"), number(row, "discharge_kwh") / 10.0, "cycles");
}

#[test]
fn house_and_sun_alone_will_do() {
    // The same year told as use and sun: the record has the net of each half hour, which is what the reference knows.
    let points = POINTS.replace("grid", "house").replace("positive = \"import\"\n", "");
    let place = Place::with("UTC", &points);
    let names = ["timestamp_fixed_offset=time", "pv_kwh=solar_kwh", "load_kwh=house_kwh"];
    let ignore = ["load_filled_min", "import_kwh", "export_kwh"].map(|name| ["--ignore", name]).concat();
    let rename = names.map(|name| ["--rename", name]).concat();
    let file = data("year_2008_30min.csv");
    place.done(&[&["import", "home.toml", file.to_str().unwrap()], &rename[..], &ignore].concat());
    let rows = json(&place, &["--sizes", "5"]);
    near(number(&rows[0], "import_kwh"), reference("lp_import")[0], "none");
    near(number(&rows[1], "import_kwh"), reference("lp_import")[2], "5 kWh");
    assert!(rows[0]["assumed"].to_string().contains("only the net is known"));
    assert_eq!(rows[1]["saving"], Value::Null, "there is no tariff");
}
