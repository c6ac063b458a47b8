//! The broker: address, login, and the one inside.

use crate::config::block::{At, Block};
use crate::config::broker::{BrokerUrl, BrokerUser, Embedded, MqttConfig, MqttVersion, read_url};
use crate::config::secret::SecretSource;

use super::Build;

impl Build<'_, '_> {
    pub(super) fn mqtt(&mut self) -> Option<MqttConfig> {
        let block = self.root.block("mqtt")?;
        let id = self.root.block("home").and_then(|h| h.text("id"));
        let embedded = self.embedded(block);
        let broker = self.broker(block, embedded.as_ref());
        let password = self.password(block);
        self.login(block, broker.as_ref());
        let prefix = block.text("prefix").map(|p| p.trim_end_matches('/').to_owned());
        Some(MqttConfig {
            broker: broker?,
            user: block.text("user").map(str::to_owned),
            password,
            ca_file: block.text("ca_file").map(|f| self.path(f)),
            client_id: block.text("client_id").map_or(format!("overspill-{}", id?), str::to_owned),
            version: if block.text("version")? == "5" { MqttVersion::V5 } else { MqttVersion::V311 },
            embedded,
            prefix: match prefix {
                Some(prefix) => prefix,
                None => format!("overspill/{}", id?),
            },
            retain_commands: self.retain_commands(block)?,
        })
    }

    fn embedded(&mut self, block: &Block) -> Option<Embedded> {
        let named = block.named("users");
        if !block.is_written("embedded") {
            if let Some((first, _)) = named.first() {
                self.found
                    .error("unused-key", first.place.clone(), "`users` are for the embedded broker")
                    .label("there is none")
                    .help("write embedded = \"127.0.0.1:1883\" for a broker inside Overspill, or leave the users out; to log in to another broker write `user`");
            }
            return None;
        }
        let users: Vec<BrokerUser> = named.iter().filter_map(|n| self.broker_user(n)).collect();
        let listen: std::net::SocketAddr = block.text("embedded")?.parse().ok()?;
        if !listen.ip().is_loopback() && named.is_empty() {
            self.found
                .error("open-broker", block.place("embedded"), "the broker would be open to the whole network")
                .label("not loopback, and no users")
                .note("whoever reaches it could command the loads and forge the readings")
                .help("write 127.0.0.1, or say who may log in: a section `[mqtt.users.NAME]` with `password_file` for each");
        }
        Some(Embedded { listen, users })
    }

    fn broker_user(&mut self, (name, block): &(At<String>, Block)) -> Option<BrokerUser> {
        let password = self.password(block);
        if password.is_none() && !block.is_written("password") && !block.has_broken() {
            self.found
                .error(
                    "missing-key",
                    block.header.clone(),
                    format!("the user `{}` has no password", name.value),
                )
                .label("`password_file` or `password_env` is missing")
                .help("there is no default password: say where this user's stands");
        }
        Some(BrokerUser { name: name.value.clone(), password: password? })
    }

    /// Where to connect to: as written, else the embedded broker.
    fn broker(&mut self, block: &Block, embedded: Option<&Embedded>) -> Option<BrokerUrl> {
        if block.is_written("url") {
            let url = read_url(block.text("url")?).ok()?;
            if let Some(embedded) = embedded
                && !(url.is_loopback() && url.port == embedded.listen.port())
            {
                self.found
                    .warning(
                        "two-brokers",
                        block.place("url"),
                        "Overspill would be a broker and connect to another",
                    )
                    .label("connects here")
                    .also(block.place("embedded"), "listens here")
                    .help("leave `url` out to use the embedded broker, or `embedded` to use the other");
            }
            return Some(url);
        }
        if block.is_written("embedded") {
            let listen = embedded?.listen;
            let host = match listen.ip() {
                ip if ip.is_unspecified() && ip.is_ipv6() => "::1".to_owned(),
                ip if ip.is_unspecified() => "127.0.0.1".to_owned(),
                ip => ip.to_string(),
            };
            return Some(BrokerUrl { host, port: listen.port(), tls: false });
        }
        self.found
            .error("missing-key", block.header.clone(), "`[mqtt]` lacks `url`")
            .label("`url` is missing")
            .help("write where the broker is, url = \"mqtt://127.0.0.1:1883\"; or, for a home that has none, embedded = \"127.0.0.1:1883\"");
        None
    }

    fn password(&mut self, block: &Block) -> Option<SecretSource> {
        let both = block.is_written("password_file") && block.is_written("password_env");
        if both {
            self.found
                .error("two-ways", block.key_place("password_env"), "two places for one password")
                .label("the second")
                .also(block.key_place("password_file"), "the first")
                .help("keep one of them");
        }
        let file = block.text("password_file").map(|f| SecretSource::File(self.path(f)));
        file.or_else(|| block.text("password_env").map(|e| SecretSource::Env(e.to_owned())))
    }

    fn login(&mut self, block: &Block, broker: Option<&BrokerUrl>) {
        for key in ["password_file", "password_env"] {
            if block.is_written(key) && !block.is_written("user") {
                self.found
                    .error("missing-key", block.key_place(key), "a password without a user")
                    .label("`user` is missing")
                    .help("write user = \"..\" beside it");
            }
        }
        let Some(broker) = broker else { return };
        if block.is_written("ca_file") && !broker.tls {
            self.found
                .error("unused-key", block.key_place("ca_file"), "`ca_file` is for encrypted connections")
                .label("this one is not")
                .help("write url = \"mqtts://..\", or leave `ca_file` out");
        }
        let has_password = block.is_written("password_file") || block.is_written("password_env");
        if has_password && !broker.tls && !broker.is_loopback() {
            self.found
                .warning("plain-password", block.place("url"), "the password crosses the network unencrypted")
                .label("not encrypted")
                .help("write mqtts:// where the broker can do it");
        }
    }

    fn retain_commands(&mut self, block: &Block) -> Option<bool> {
        let retain = block.flag("retain_commands")?;
        if retain {
            self.found
                .warning(
                    "retained-commands",
                    block.place("retain_commands"),
                    "commands have no age once retained",
                )
                .label("the broker keeps the last command")
                .note("a device that restarts while Overspill is away obeys a command that may be days old")
                .help("leave it out unless a device needs it");
        }
        Some(retain)
    }
}
