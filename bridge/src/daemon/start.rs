//! What must stand before the daemon can begin: the broker inside, and the way to the broker.

use std::time::Duration;

use super::RunError;
use crate::broker::{Broker, BrokerConfig};
use crate::config::{Config, Embedded, MqttVersion, Secret};
use crate::mqtt::{LinkConfig, TlsConfig, Version};

/// How often the broker is asked whether it lives; a dead one is noticed after at most twice this time.
const KEEP_ALIVE: Duration = Duration::from_secs(10);

/// The daemon's own login at the broker inside it, made up anew at each start and never written down.
#[derive(Debug, Clone)]
pub(super) struct OwnLogin {
    user: String,
    password: Secret,
}

/// Starts the broker inside, where the home file asks for one.
pub(super) async fn broker(config: &Config) -> Result<Option<(Broker, Option<OwnLogin>)>, RunError> {
    let Some(embedded) = &config.mqtt.embedded else { return Ok(None) };
    let (users, own) = users(embedded, &config.mqtt.client_id)?;
    let broker = Broker::start(BrokerConfig {
        listen: embedded.listen,
        allow_anonymous: users.is_empty(),
        users,
        folder: None,
    });
    let broker = broker.await?;
    tracing::info!("The embedded broker listens at {}.", broker.addr());
    Ok(Some((broker, own)))
}

type Users = Vec<(String, Secret)>;

fn users(embedded: &Embedded, client_id: &str) -> Result<(Users, Option<OwnLogin>), RunError> {
    if embedded.users.is_empty() {
        return Ok((Vec::new(), None));
    }
    let mut users = Vec::new();
    for user in &embedded.users {
        let password = user.password.fetch().map_err(|why| RunError::Secret(why.to_string()))?;
        users.push((user.name.clone(), password));
    }
    let own =
        OwnLogin { user: format!("{client_id}-self"), password: Secret::new(super::session::made_up_word()) };
    users.push((own.user.clone(), own.password.clone()));
    Ok((users, Some(own)))
}

/// The way to the broker, without subscriptions and will.
pub(super) fn link_config(config: &Config, broker: Option<&(Broker, Option<OwnLogin>)>) -> LinkConfig {
    let mqtt = &config.mqtt;
    let mut link = LinkConfig::new(mqtt.broker.host.clone(), mqtt.broker.port, client_id(config));
    link.keep_alive = KEEP_ALIVE;
    link.version = match mqtt.version {
        MqttVersion::V5 => Version::Auto,
        MqttVersion::V311 => Version::V311,
    };
    if mqtt.broker.tls {
        link.tls = Some(TlsConfig { ca_file: mqtt.ca_file.clone() });
    }
    link.user = mqtt.user.clone();
    link.password = mqtt.password.clone().map(Into::into);
    if let Some((broker, own)) = broker {
        // Whoever starts it on a free port learns from the broker which one it took.
        link.port = broker.addr().port();
        if let (Some(own), None) = (own, &mqtt.user) {
            link.user = Some(own.user.clone());
            link.password = Some(own.password.clone().into());
        }
    }
    link
}

/// Two instances of one home must not have one id, or the broker throws them out by turns. So an id that the home file
/// does not give gets a word of its own at each start.
fn client_id(config: &Config) -> String {
    let given = &config.mqtt.client_id;
    if *given != format!("overspill-{}", config.home.id) {
        return given.clone();
    }
    let word: String = super::session::made_up_word().chars().take(8).collect();
    format!("{given}-{word}")
}
