//! `--listen --out`: a draft that is a good home file once its gaps are filled.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::Site;
use super::support::Place;

#[test]
fn a_draft_is_written_and_is_a_home_file_once_what_it_asks_is_filled_in() {
    let site = Site::new("nothing");
    let place = Place::with("Europe/London", "");
    let heard = AtomicBool::new(false);
    let url = format!("mqtt://127.0.0.1:{}", site.port);
    let command = ["commission", "--listen", "3s", "--broker", &url, "--out", "draft.toml"];
    let ran = std::thread::scope(|scope| {
        scope.spawn(|| {
            for n in 0.. {
                if heard.load(Ordering::Relaxed) {
                    return;
                }
                let grid = format!("{{\"power\": {}}}", if n % 2 == 0 { 700 } else { -400 });
                site.publish("house/grid", &grid, false);
                site.publish("roof/ac_power", &format!("{}", 1500 + n % 7), false);
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        let ran = place.run(&command);
        heard.store(true, Ordering::Relaxed);
        ran
    });
    assert_eq!(ran.code(), 0, "{}", ran.err());
    assert!(
        ran.out().contains("house/grid") && ran.out().ends_with("The draft: draft.toml\n"),
        "{}",
        ran.out()
    );

    let gaps = place.run(&["check", "draft.toml"]);
    assert_ne!(gaps.code(), 0, "{}", gaps.out());
    let draft = std::fs::read_to_string(place.path("draft.toml")).unwrap();
    let filled: Vec<String> = draft.lines().map(filled).collect();
    place.write("draft.toml", &filled.join("\n"));
    let good = place.run(&["check", "draft.toml"]);
    assert_eq!(good.code(), 0, "{draft}\n{}{}", good.out(), good.err());

    let again = place.run(&["commission", "--listen", "50ms", "--broker", &url, "--out", "draft.toml"]);
    assert_eq!(again.code(), 2, "a draft that someone may have filled in is not written over");
    assert!(
        again.err().contains("draft.toml") && again.err().contains("Nothing was written"),
        "{}",
        again.err()
    );
    assert_eq!(std::fs::read_to_string(place.path("draft.toml")).unwrap(), filled.join("\n"));
}

#[test]
fn without_a_home_file_it_names_the_broker_as_the_way() {
    let ran = Place::with("Europe/London", "").run(&["commission", "--listen", "1s"]);
    assert_eq!(ran.code(), 2);
    assert!(ran.err().contains("--broker mqtt://HOST:PORT"), "{}", ran.err());
}

/// A line as a person fills it in.
fn filled(line: &str) -> String {
    if line.starts_with('#') || !line.contains("\"FILL IN\"") {
        return line.to_owned();
    }
    let key = line.split(' ').next().unwrap();
    let value = match key {
        "id" => "\"wren\"",
        "timezone" => "\"Europe/London\"",
        "rating_a" => "60",
        "positive" => "\"import\"",
        _ => panic!("nothing told that `{key}` is to be filled in"),
    };
    format!("{key} = {value}")
}
