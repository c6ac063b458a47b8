//! The broker inside: for a home that has no MQTT server of its own.
//!
//! Real devices live on it, so it speaks MQTT 3.1.1 and 5 on one port, keeps what is retained, publishes wills and holds
//! sessions. It listens where it is told and nowhere else, and lets strangers in only from the same computer.
//!
//! # Why the library `mqtt5`
//!
//! Two libraries were tried.
//!
//! | | `mqtt5` 0.49 | `rumqttd` 0.20 |
//! |---|---|---|
//! | MQTT 3.1.1 and 5 | on one port | on one port each |
//! | 500 retained messages for one wildcard subscription | all | 100 to 200 at its default limits, without a word |
//! | a port that is taken | an error | a line in its log, and "all is well" |
//! | stopping | below 1 ms, port free | not possible |
//! | echo with quality of service 1, half of all below | 0.1 ms | 30 ms: it can't set TCP_NODELAY |
//! | retained messages and sessions after a restart | if asked | lost |
//! | adds to the program | 8 MB | 2 MB |
//!
//! `mqtt5` costs size and is young, but a broker that forgets a retained set-point or can't be stopped is none. It brings
//! no second crypto library. For comparison, mosquitto echoes in 0.07 to 0.09 ms on the same computer.
//!
//! Shown by tests with our own link, with the tools of mosquitto and with packets made by hand: both versions on one
//! port, all three qualities of service, retained messages, clearing them, users, wills, silent clients given up after
//! one and a half keep-alives, sessions with their messages through a restart, unacknowledged messages sent again,
//! take-over of a client id, messages of 800 kB, a client that does not read, and garbage.
//!
//! Not taken: client ids with a slash, and MQTT 3.1, the version before 3.1.1. When another client takes over an id, a
//! 3.1.1 client is sent a DISCONNECT before its connection is closed, which that version does not have.
//!
//! # What of `mqtt5` is not used, and why
//!
//! - Its defaults listen on all addresses, let everybody in and write to `./mqtt_storage`: every one of them is set here.
//! - Its limit of failed logins locks out an *address* for five minutes. On a home's computer all programs share
//!   127.0.0.1, so one program with a wrong password would lock out everything, this program too. Instead a wrong
//!   password is answered late.
//! - Its password store hashes with Argon2, for 19 MB and a good part of a second of a small computer at every login,
//!   inside the tasks that everything else runs on. The passwords stand in the home's own files anyway; here they are
//!   kept in memory and compared in constant time.
//! - Its store on disk writes a file, and waits for the disk, at every retained message: 2.3 ms instead of 0.14 ms on a
//!   fast disk. With states published every few seconds that wears out a memory card, so retained messages stay in memory
//!   unless a folder is given. Topics whose name makes a file name longer than 255 bytes are not kept on disk.
//! - Its statistics topics, which nobody here reads.

mod bounds;
mod users;

use std::io;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;

use mqtt5::broker::config::{AuthConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig as Settings, BrokerShutdownHandle, MqttBroker};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use crate::config::Secret;
use users::Users;

/// How the broker is set up.
#[derive(Debug, Clone)]
pub struct BrokerConfig {
    /// Where to listen; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Who may connect.
    pub users: Vec<(String, Secret)>,
    /// Lets in clients that give no user name. Only where `listen` is an address of the loopback.
    pub allow_anonymous: bool,
    /// Keeps retained messages and sessions in this folder; without it they last as long as the broker. Every retained
    /// message is then a write to the disk.
    pub folder: Option<PathBuf>,
}

impl BrokerConfig {
    /// Everybody on this computer may connect, nobody else can.
    pub fn on_loopback(port: u16) -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], port)),
            users: Vec::new(),
            allow_anonymous: true,
            folder: None,
        }
    }
}

/// Why the broker could not be started.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BrokerError {
    /// Reachable from the network without users.
    #[error(
        "the broker would listen at {0}, which the network can reach, but no user is named; \
         name users with passwords, or listen at 127.0.0.1"
    )]
    NoUsers(SocketAddr),
    /// Reachable from the network for everybody.
    #[error(
        "the broker would listen at {0}, which the network can reach, and let in everybody; \
         clients without a user name are only possible at 127.0.0.1"
    )]
    OpenToAll(SocketAddr),
    /// Closed to everybody.
    #[error(
        "nobody could connect to the broker: no user is named, and clients without a user name are refused"
    )]
    ClosedToAll,
    /// A user without a name.
    #[error("a user of the broker has no name")]
    NoName,
    /// A user without a password.
    #[error("the user \"{0}\" of the broker has no password")]
    NoPassword(String),
    /// Two users with one name.
    #[error("the user \"{0}\" of the broker is named twice")]
    TwiceNamed(String),
    /// Somebody else listens there.
    #[error("another program is listening at {0} already; stop it, or choose another port")]
    PortTaken(SocketAddr),
    /// The address is none of this computer's.
    #[error("this computer has no address {0} to listen at")]
    NotOurs(SocketAddr),
    /// Ports below 1024.
    #[error("this program may not listen at {0}; ports below 1024 need special rights")]
    NotAllowed(SocketAddr),
    /// Another fault of the network.
    #[error("the broker can't listen at {listen}: {why}")]
    Listen {
        /// Where it should have listened.
        listen: SocketAddr,
        /// The system's words.
        why: String,
    },
    /// The folder.
    #[error("the broker can't use its folder {}: {why}", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// Why.
        why: String,
    },
    /// A fault of the library.
    #[error("the broker could not be started: {0}")]
    Internal(String),
}

/// A running broker. Dropping it ends it without a word to its clients.
pub struct Broker {
    addr: SocketAddr,
    shutdown: BrokerShutdownHandle,
    task: JoinHandle<()>,
}

impl Broker {
    /// Starts a broker; once this returns, clients can connect. Needs a tokio runtime.
    ///
    /// # Errors
    ///
    /// When the configuration is unsafe or useless, the port is taken, or the folder can't be used.
    pub async fn start(config: BrokerConfig) -> Result<Self, BrokerError> {
        check(&config)?;
        let listen = config.listen;
        probe(listen)?;
        let folder = config.folder.clone();
        let mut broker = MqttBroker::with_config(settings(&config))
            .await
            .map_err(|error| start_error(folder.as_ref(), &error.to_string()))?
            .with_auth_provider(Arc::new(Users::new(config.users, config.allow_anonymous)));
        let addr = broker.local_addr().ok_or(BrokerError::Internal("it has no address".into()))?;
        let shutdown = broker.shutdown_handle();
        let mut ready = broker.ready_receiver();
        let task = tokio::spawn(async move {
            if let Err(error) = broker.run().await {
                tracing::error!("the broker ended: {error}");
            }
        });
        // The sender is dropped without a word when the broker ends before it is ready.
        if ready.wait_for(|ready| *ready).await.is_err() {
            return Err(start_error(folder.as_ref(), "what it holds can't be read"));
        }
        Ok(Self { addr, shutdown, task })
    }

    /// Where it listens, with the real port.
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Ends all connections, writes what is to be kept, and frees the port. Takes a few seconds at most.
    pub async fn stop(mut self) {
        self.shutdown.shutdown();
        // Should it hang, dropping it ends it.
        let _ = timeout(bounds::STOP_WITHIN, &mut self.task).await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// No password by default, and nobody from the network without one.
fn check(config: &BrokerConfig) -> Result<(), BrokerError> {
    if !config.listen.ip().is_loopback() {
        if config.allow_anonymous {
            return Err(BrokerError::OpenToAll(config.listen));
        }
        if config.users.is_empty() {
            return Err(BrokerError::NoUsers(config.listen));
        }
    }
    if config.users.is_empty() && !config.allow_anonymous {
        return Err(BrokerError::ClosedToAll);
    }
    for (index, (name, password)) in config.users.iter().enumerate() {
        if name.is_empty() {
            return Err(BrokerError::NoName);
        }
        if password.reveal().is_empty() {
            return Err(BrokerError::NoPassword(name.clone()));
        }
        if config.users.iter().take(index).any(|(other, _)| other == name) {
            return Err(BrokerError::TwiceNamed(name.clone()));
        }
    }
    Ok(())
}

/// Listens for a moment: the library tells why it can't only in words for programmers.
fn probe(listen: SocketAddr) -> Result<(), BrokerError> {
    match TcpListener::bind(listen).map_err(|error| (error.kind(), error)) {
        Ok(_) => Ok(()),
        Err((io::ErrorKind::AddrInUse, _)) => Err(BrokerError::PortTaken(listen)),
        Err((io::ErrorKind::AddrNotAvailable, _)) => Err(BrokerError::NotOurs(listen)),
        Err((io::ErrorKind::PermissionDenied, _)) => Err(BrokerError::NotAllowed(listen)),
        Err((_, error)) => Err(BrokerError::Listen { listen, why: error.to_string() }),
    }
}

fn start_error(folder: Option<&PathBuf>, why: &str) -> BrokerError {
    match folder {
        Some(folder) => BrokerError::Folder { folder: folder.clone(), why: why.to_owned() },
        None => BrokerError::Internal(why.to_owned()),
    }
}

fn settings(config: &BrokerConfig) -> Settings {
    let storage = StorageConfig::new()
        .with_persistence(true)
        .with_max_queued_messages_per_client(bounds::QUEUED_MESSAGES)
        .with_max_queued_bytes_per_client(bounds::QUEUED_BYTES);
    let storage = match &config.folder {
        Some(folder) => storage.with_backend(StorageBackend::File).with_base_dir(folder.clone()),
        None => storage.with_backend(StorageBackend::Memory),
    };
    let mut auth = AuthConfig::new();
    auth.rate_limit.enabled = false;
    Settings::new()
        .with_bind_address(config.listen)
        .with_max_clients(bounds::CLIENTS)
        .with_session_expiry(bounds::SESSION_LASTS)
        .with_max_packet_size(bounds::PACKET_BYTES)
        .with_max_subscriptions_per_client(bounds::SUBSCRIPTIONS_A_CLIENT)
        .with_max_retained_messages(bounds::RETAINED_MESSAGES)
        .with_max_retained_message_size(bounds::RETAINED_BYTES)
        .with_client_channel_capacity(bounds::CLIENT_CHANNEL)
        .with_storage(storage)
        .with_auth(auth)
        .with_sys_topics_enabled(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config(listen: &str, users: &[(&str, &str)], allow_anonymous: bool) -> BrokerConfig {
        let users =
            users.iter().map(|(name, password)| ((*name).into(), Secret::new((*password).into()))).collect();
        BrokerConfig {
            listen: listen.parse().unwrap_or_else(|_| SocketAddr::from(([0, 0, 0, 0], 0))),
            users,
            allow_anonymous,
            folder: None,
        }
    }

    #[test]
    fn the_network_is_not_let_in_without_a_password() {
        for listen in ["0.0.0.0:1883", "192.0.2.1:1883", "[::]:1883"] {
            let refused = |config| check(&config).err().map(|error| error.to_string()).unwrap_or_default();
            assert!(refused(config(listen, &[], false)).contains("no user is named"));
            assert!(refused(config(listen, &[("a", "b")], true)).contains("let in everybody"));
            assert!(refused(config(listen, &[], true)).contains("let in everybody"));
            assert_eq!(check(&config(listen, &[("a", "b")], false)), Ok(()));
        }
    }

    #[test]
    fn users_are_whole() {
        let loopback = "127.0.0.1:0";
        assert_eq!(check(&config(loopback, &[], true)), Ok(()));
        assert_eq!(check(&config("[::1]:0", &[], true)), Ok(()));
        assert_eq!(check(&config(loopback, &[], false)), Err(BrokerError::ClosedToAll));
        assert_eq!(check(&config(loopback, &[("", "x")], false)), Err(BrokerError::NoName));
        assert_eq!(check(&config(loopback, &[("a", "")], false)), Err(BrokerError::NoPassword("a".into())));
        let twice = config(loopback, &[("a", "x"), ("a", "y")], false);
        assert_eq!(check(&twice), Err(BrokerError::TwiceNamed("a".into())));
    }
}
