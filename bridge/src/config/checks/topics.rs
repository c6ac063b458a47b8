//! Topics: no reading may be our own command or publication, no two loads share a command.

use overspill_rules::home::LoadId;

use crate::config::build::Draft;
use crate::config::diagnostic::Diagnostics;

pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    loops(draft, found);
    shared_commands(draft, found);
    if let Some(mqtt) = &draft.mqtt {
        below_prefix(draft, &mqtt.prefix, found);
    }
}

/// What we send would come back as a reading.
fn loops(draft: &Draft<'_>, found: &mut Diagnostics) {
    let mut told: Vec<&str> = Vec::new();
    for route in &draft.routes {
        let topic = route.value.topic.as_str();
        let Some(command) = draft.commands.iter().find(|c| c.value.topic == topic) else { continue };
        if told.contains(&topic) {
            continue;
        }
        told.push(topic);
        found
            .error("feedback-loop", route.place.clone(), "this topic carries our own commands")
            .label("read here")
            .also(
                command.place.clone(),
                format!("sent here, for the load `{}`", load_id(draft, command.value.load)),
            )
            .help("what was sent would come back as a reading; name the topic on which the device reports");
    }
}

fn shared_commands(draft: &Draft<'_>, found: &mut Diagnostics) {
    for (n, command) in draft.commands.iter().enumerate() {
        let first = draft.commands.iter().take(n).find(|c| c.value.topic == command.value.topic);
        if let Some(first) = first {
            found
                .error("shared-command", command.place.clone(), "two loads have the same command topic")
                .label("the second")
                .also(
                    first.place.clone(),
                    format!("the first, for the load `{}`", load_id(draft, first.value.load)),
                )
                .help(
                    "each would undo what the other is told; give each its own topic, or make them one load",
                );
        }
    }
}

/// Below the prefix stand our own publications and what people send to us.
fn below_prefix(draft: &Draft<'_>, prefix: &str, found: &mut Diagnostics) {
    let ours = format!("{prefix}/");
    let routes = draft.routes.iter().map(|r| (&r.value.topic, &r.place));
    let commands = draft.commands.iter().map(|c| (&c.value.topic, &c.place));
    let mut told: Vec<&str> = Vec::new();
    for (topic, place) in routes.chain(commands) {
        if !(topic.starts_with(&ours) || topic == prefix) || told.contains(&topic.as_str()) {
            continue;
        }
        told.push(topic);
        found
            .error("own-topic", place.clone(), format!("topics below `{prefix}` are Overspill's own"))
            .label("Overspill publishes here")
            .help("name the device's topic; or move what Overspill publishes with `prefix` in `[mqtt]`");
    }
}

fn load_id<'d>(draft: &'d Draft<'_>, load: LoadId) -> &'d str {
    draft.loads.get(usize::from(load.0)).map_or("", |l| l.id.as_str())
}
