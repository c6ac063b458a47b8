//! The broker inside, with our own link, with another library's client and with the tools of mosquitto.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::net::SocketAddr;
use std::path::Path;
use std::time::{Duration, Instant};

use overspill::broker::{Broker, BrokerConfig, BrokerError};
use overspill::config::Secret;
use overspill::mqtt::{FaultKind, LastWord, LinkConfig, LinkEvent, PAYLOAD_BYTES, Protocol, Version, Will};
use overspill_tests::client::{Client, PATIENCE, config, heard};
use overspill_tests::servers::{Folder, mosquitto_pub, mosquitto_sub};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::spawn_blocking;
use tokio::time::timeout;

const VERSIONS: [Version; 2] = [Version::V5, Version::V311];

/// How mosquitto's tools call the two versions.
const TOOL_VERSIONS: [&str; 2] = ["mqttv5", "mqttv311"];

async fn open_broker() -> Broker {
    Broker::start(BrokerConfig::on_loopback(0)).await.unwrap()
}

fn with_folder(folder: &Path) -> BrokerConfig {
    BrokerConfig { folder: Some(folder.to_owned()), ..BrokerConfig::on_loopback(0) }
}

fn with_users(allow_anonymous: bool) -> BrokerConfig {
    let users = vec![("wren".into(), Secret::new("one".into())), ("tit".into(), Secret::new("two".into()))];
    BrokerConfig { users, allow_anonymous, ..BrokerConfig::on_loopback(0) }
}

/// Runs one of mosquitto's tools beside the broker, which lives in this runtime.
async fn tool<T: Send + 'static>(run: impl FnOnce() -> T + Send + 'static) -> T {
    timeout(PATIENCE, spawn_blocking(run)).await.expect("the tool did not end").unwrap()
}

async fn sub(port: u16, args: &'static [&'static str]) -> Vec<String> {
    tool(move || mosquitto_sub(port, args)).await
}

async fn publish(port: u16, args: &'static [&'static str]) {
    tool(move || mosquitto_pub(port, args)).await;
}

#[tokio::test]
async fn both_versions_live_on_one_port() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut new = Client::start(LinkConfig { version: Version::V5, ..config(port, "new") });
    assert_eq!(new.up().await, (Protocol::V5, 1, false));
    new.subscribed().await;
    let mut old = Client::start(LinkConfig { version: Version::V311, ..config(port, "old") });
    assert_eq!(old.up().await, (Protocol::V311, 1, false));
    old.subscribed().await;
    new.publish("in/x", "from the new one").unwrap();
    assert_eq!(old.message().await, heard("in/x", "from the new one", false));
    old.publish("in/x", "from the old one").unwrap();
    new.message().await;
    assert_eq!(new.message().await, heard("in/x", "from the old one", false));
}

#[tokio::test]
async fn the_tools_of_mosquitto_work_with_it() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut client = Client::ready(config(port, "a")).await;
    for version in TOOL_VERSIONS {
        for qos in ["0", "1", "2"] {
            let send = move || mosquitto_pub(port, &["-V", version, "-q", qos, "-t", "in/x", "-m", qos]);
            tool(send).await;
            assert_eq!(client.message().await, heard("in/x", qos, false));
            client.retain("state/x", qos);
            let hear = move || {
                mosquitto_sub(port, &["-V", version, "-q", qos, "-t", "state/#", "-C", "1", "-W", "5"])
            };
            // The retained message of the round before may be faster than the new one.
            let heard = tool(hear).await;
            assert_eq!(heard.len(), 1, "{version} {qos}");
        }
    }
}

#[tokio::test]
async fn all_of_500_retained_messages_come_with_a_wildcard() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut writer = Client::ready(config(port, "writer")).await;
    for n in 0..500 {
        writer.retain(&format!("in/{n}/value"), &n.to_string());
        // Its own message back says that the broker has it.
        writer.message().await;
    }
    for version in VERSIONS {
        let mut reader = Client::start(LinkConfig { version, ..config(port, "reader") });
        let mut values = Vec::new();
        while values.len() < 500 {
            let (topic, value, retained) = reader.message().await;
            assert!(retained);
            assert_eq!(topic, format!("in/{value}/value"));
            values.push(value.parse::<u32>().unwrap());
        }
        values.sort_unstable();
        assert_eq!(values, (0..500).collect::<Vec<_>>());
    }
    for version in TOOL_VERSIONS {
        for qos in ["0", "1"] {
            let hear = move || {
                mosquitto_sub(port, &["-V", version, "-q", qos, "-t", "in/+/value", "-C", "500", "-W", "10"])
            };
            assert_eq!(tool(hear).await.len(), 500, "{version} {qos}");
        }
    }
}

#[tokio::test]
async fn an_empty_retained_message_clears_the_topic() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    publish(port, &["-q", "1", "-r", "-t", "in/a", "-m", "1"]).await;
    publish(port, &["-q", "1", "-r", "-t", "in/b", "-m", "2"]).await;
    publish(port, &["-q", "1", "-r", "-t", "in/a", "-n"]).await;
    let mut client = Client::start(config(port, "a"));
    assert_eq!(client.message().await, heard("in/b", "2", true));
}

#[tokio::test]
async fn users_need_their_passwords() {
    let broker = Broker::start(with_users(false)).await.unwrap();
    let port = broker.addr().port();
    let login = |user: Option<&str>, password: Option<&str>, version| LinkConfig {
        user: user.map(str::to_owned),
        password: password.map(|password| Secret::new(password.into()).into()),
        version,
        ..config(port, "a")
    };
    for version in VERSIONS {
        let mut right = Client::start(login(Some("wren"), Some("one"), version));
        right.up().await;
        for (user, password) in [(Some("wren"), Some("two")), (Some("robin"), Some("one")), (None, None)] {
            let (kind, words, _) = Client::start(login(user, password, version)).down().await;
            assert_eq!(kind, FaultKind::Login, "{words}");
        }
    }
    publish(port, &["-u", "tit", "-P", "two", "-t", "in/x", "-m", "1"]).await;
}

/// The library's own limit would lock out every program of this computer after five wrong passwords.
#[tokio::test]
async fn wrong_passwords_lock_nobody_else_out() {
    let broker = Broker::start(with_users(true)).await.unwrap();
    let port = broker.addr().port();
    let wrong = |n: u32| LinkConfig {
        user: Some("wren".into()),
        password: Some(Secret::new("wrong".into()).into()),
        ..config(port, &format!("wrong-{n}"))
    };
    let mut wrong: Vec<_> = (0..12).map(|n| Client::start(wrong(n))).collect();
    for client in &mut wrong {
        assert_eq!(client.down().await.0, FaultKind::Login);
    }
    Client::start(config(port, "without a name")).up().await;
}

#[tokio::test]
async fn the_network_is_not_let_in_without_users() {
    let listen = SocketAddr::from(([0, 0, 0, 0], 0));
    let config = BrokerConfig { listen, allow_anonymous: false, ..BrokerConfig::on_loopback(0) };
    assert_eq!(Broker::start(config).await.err(), Some(BrokerError::NoUsers(listen)));
    let config = BrokerConfig { listen, ..with_users(false) };
    let broker = Broker::start(config).await.unwrap();
    let (kind, _, _) = Client::start(self::config(broker.addr().port(), "a")).down().await;
    assert_eq!(kind, FaultKind::Login);
}

#[tokio::test]
async fn a_taken_port_is_an_error_in_words() {
    let broker = open_broker().await;
    let addr = broker.addr();
    let error = Broker::start(BrokerConfig::on_loopback(addr.port())).await.err().unwrap();
    assert_eq!(error, BrokerError::PortTaken(addr));
    assert!(error.to_string().contains("another program is listening at 127.0.0.1"), "{error}");
    let elsewhere = SocketAddr::from(([192, 0, 2, 1], 0));
    let error = Broker::start(BrokerConfig { listen: elsewhere, ..with_users(false) }).await.err();
    assert_eq!(error, Some(BrokerError::NotOurs(elsewhere)));
}

#[tokio::test]
async fn stopping_frees_the_port_and_clients_come_back_by_themselves() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut clients = Vec::new();
    for version in VERSIONS {
        clients.push(Client::ready(LinkConfig { version, ..config(port, &format!("{version:?}")) }).await);
    }
    let start = Instant::now();
    broker.stop().await;
    assert!(start.elapsed() < Duration::from_secs(3), "{:?}", start.elapsed());
    for client in &mut clients {
        let (_, words, was_up) = client.down().await;
        assert!(was_up, "{words}");
    }
    let _again = Broker::start(BrokerConfig::on_loopback(port)).await.unwrap();
    for client in &mut clients {
        client.subscribed().await;
    }
    clients[0].publish("in/x", "1").unwrap();
    assert_eq!(clients[1].message().await, heard("in/x", "1", false));
}

#[tokio::test]
async fn retained_messages_last_as_long_as_asked() {
    let folder = Folder::new("broker");
    let cases =
        [(with_folder(folder.path()), vec!["kept", "end"]), (BrokerConfig::on_loopback(0), vec!["end"])];
    for (config, expected) in cases {
        let broker = Broker::start(config.clone()).await.unwrap();
        publish(broker.addr().port(), &["-q", "1", "-r", "-t", "in/a", "-m", "kept"]).await;
        broker.stop().await;

        let broker = Broker::start(config).await.unwrap();
        let mut client = Client::start(self::config(broker.addr().port(), "a"));
        client.up().await;
        client.publish("in/b", "end").unwrap();
        let mut heard = vec![client.message().await.1];
        while heard.last().is_some_and(|last| last != "end") {
            heard.push(client.message().await.1);
        }
        assert_eq!(heard, expected);
    }
    assert!(!Path::new("mqtt_storage").exists(), "the library's own folder was made");
}

#[tokio::test]
async fn a_folder_that_can_not_be_used_is_told() {
    let folder = Folder::new("broker");
    let file = folder.path().join("a file");
    std::fs::write(&file, "").unwrap();
    let error = Broker::start(with_folder(&file)).await.err().unwrap();
    assert!(matches!(error, BrokerError::Folder { .. }), "{error}");
    // Two brokers in one folder would overwrite each other's files.
    let _first = Broker::start(with_folder(folder.path())).await.unwrap();
    let error = Broker::start(with_folder(folder.path())).await.err().unwrap();
    assert!(matches!(error, BrokerError::Folder { .. }), "{error}");
}

#[tokio::test]
async fn wills_are_published_and_good_byes_are_not_wills() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut watcher = Client::ready(config(port, "watcher")).await;
    for version in VERSIONS {
        let will = Some(Will { topic: "in/status".into(), payload: b"vanished".to_vec(), retained: true });
        let mortal =
            || LinkConfig { will: will.clone(), version, subscriptions: vec![], ..config(port, "m") };
        drop(Client::ready(mortal()).await);
        assert_eq!(watcher.message().await, heard("in/status", "vanished", false));
        let leaving = Client::ready(mortal()).await;
        let last = LastWord { topic: "in/status".into(), payload: b"down".to_vec(), retained: true };
        leaving.link.shutdown(vec![last]).await.unwrap();
        watcher.publish("in/status", "end of test").unwrap();
        assert_eq!(watcher.message().await.1, "down");
        assert_eq!(watcher.message().await.1, "end of test");
    }
}

#[tokio::test]
async fn a_client_that_falls_silent_is_given_up() {
    let broker = open_broker().await;
    let mut watcher = Client::ready(config(broker.addr().port(), "watcher")).await;
    for level in [4, 5] {
        let mut silent = TcpStream::connect(broker.addr()).await.unwrap();
        // Keep-alive of 1 s, and a will for in/status.
        silent.write_all(&connect_with_will(level, 1)).await.unwrap();
        let start = Instant::now();
        assert_eq!(watcher.message().await, heard("in/status", "silent", false));
        let took = start.elapsed();
        assert!(took > Duration::from_millis(900) && took < Duration::from_secs(5), "{took:?}");
        let mut rest = Vec::new();
        timeout(PATIENCE, silent.read_to_end(&mut rest)).await.expect("it is disconnected").ok();
    }
}

/// A CONNECT packet by hand.
fn connect_with_will(level: u8, keep_alive: u8) -> Vec<u8> {
    let properties: &[u8] = if level == 5 { &[0] } else { &[] };
    let mut body = vec![0, 4, b'M', b'Q', b'T', b'T', level, 0b0000_0110, 0, keep_alive];
    body.extend(properties);
    body.extend([0, 1, b's']);
    body.extend(properties);
    for text in ["in/status", "silent"] {
        body.extend([0, u8::try_from(text.len()).unwrap()]);
        body.extend(text.bytes());
    }
    let mut packet = vec![0x10, u8::try_from(body.len()).unwrap()];
    packet.extend(body);
    packet
}

#[tokio::test]
async fn sessions_keep_messages_for_clients_that_are_away() {
    let folder = Folder::new("broker");
    let mut broker = Broker::start(with_folder(folder.path())).await.unwrap();
    let mut port = broker.addr().port();
    // Subscribes, is told so, and leaves.
    sub(port, &["-V", "mqttv311", "-c", "-i", "old", "-q", "1", "-t", "in/#", "-E", "-W", "5"]).await;
    sub(port, &["-V", "mqttv5", "-c", "-x", "600", "-i", "new", "-q", "1", "-t", "in/#", "-E", "-W", "5"])
        .await;
    publish(port, &["-q", "1", "-t", "in/a", "-m", "while away"]).await;
    // Through a restart, too.
    broker.stop().await;
    broker = Broker::start(with_folder(folder.path())).await.unwrap();
    port = broker.addr().port();
    publish(port, &["-q", "1", "-t", "in/a", "-m", "after the restart"]).await;
    let expected = ["while away", "after the restart"];
    let old = &["-V", "mqttv311", "-c", "-i", "old", "-q", "1", "-t", "in/#", "-C", "2", "-W", "5"];
    assert_eq!(sub(port, old).await, expected);
    let new =
        &["-V", "mqttv5", "-c", "-x", "600", "-i", "new", "-q", "1", "-t", "in/#", "-C", "2", "-W", "5"];
    assert_eq!(sub(port, new).await, expected);
}

#[tokio::test]
async fn an_unacknowledged_message_comes_again() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let publisher = Client::ready(config(port, "publisher")).await;
    let mut forgetful = forgetful_client(broker.addr()).await;
    forgetful.write_all(&subscribe_to_all_of_in()).await.unwrap();
    assert_eq!(read(&mut forgetful, 5).await[0], 0x90, "a SUBACK was expected");
    publisher.publish("in/a", "x").unwrap();
    let first = read(&mut forgetful, 11).await;
    assert_eq!(first[0], 0x32, "a PUBLISH with quality of service 1 was expected");
    drop(forgetful);
    let mut again = forgetful_client(broker.addr()).await;
    let second = read(&mut again, 11).await;
    assert_eq!(second[0], 0x3a, "the same PUBLISH marked as repeated was expected");
    assert_eq!(first[2..], second[2..]);
}

/// Connects with MQTT 3.1.1 to a session that stays.
async fn forgetful_client(addr: SocketAddr) -> TcpStream {
    let mut stream = TcpStream::connect(addr).await.unwrap();
    let connect = [0x10, 13, 0, 4, b'M', b'Q', b'T', b'T', 4, 0, 0, 60, 0, 1, b'f'];
    stream.write_all(&connect).await.unwrap();
    assert_eq!(read(&mut stream, 4).await[..2], [0x20, 2], "a CONNACK was expected");
    stream
}

/// A SUBSCRIBE packet for in/# with quality of service 1.
fn subscribe_to_all_of_in() -> [u8; 11] {
    [0x82, 9, 0, 1, 0, 4, b'i', b'n', b'/', b'#', 1]
}

async fn read(stream: &mut TcpStream, bytes: usize) -> Vec<u8> {
    let mut read = vec![0; bytes];
    timeout(PATIENCE, stream.read_exact(&mut read)).await.expect("nothing came").unwrap();
    read
}

#[tokio::test]
async fn another_client_with_the_same_id_takes_over() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    for version in VERSIONS {
        let twin = || LinkConfig { version, ..config(port, "twin") };
        let mut first = Client::ready(twin()).await;
        let mut second = Client::ready(twin()).await;
        // The broker says why in a form that the link's library can't read: to it the connection closed.
        let (kind, words, was_up) = first.down().await;
        assert!(was_up, "{words}");
        assert!(matches!(kind, FaultKind::Evicted | FaultKind::Closed), "{words}");
        drop(first);
        second.publish("in/x", "1").unwrap();
        assert_eq!(second.message().await.1, "1");
    }
}

#[tokio::test]
async fn large_messages_pass() {
    let broker = open_broker().await;
    let port = broker.addr().port();
    let mut client = Client::ready(config(port, "a")).await;
    let large = "x".repeat(PAYLOAD_BYTES);
    client.publish("in/large", &large).unwrap();
    assert_eq!(client.message().await.1, large);
    // A picture, for others than us.
    let folder = Folder::new("picture");
    let file = folder.path().join("picture");
    std::fs::write(&file, vec![b'x'; 800_000]).unwrap();
    let file = file.to_str().unwrap().to_owned();
    tool(move || mosquitto_pub(port, &["-q", "1", "-r", "-t", "pictures/door", "-f", &file])).await;
    let args = &["-q", "1", "-t", "pictures/#", "-C", "1", "-W", "5", "-F", "%l"];
    assert_eq!(sub(port, args).await, ["800000"]);
}

#[tokio::test]
async fn garbage_hurts_nobody_else() {
    let broker = open_broker().await;
    let mut client = Client::ready(config(broker.addr().port(), "a")).await;
    for seed in 0..40_u8 {
        let mut stream = TcpStream::connect(broker.addr()).await.unwrap();
        let noise = |n: u8| n.wrapping_mul(seed).wrapping_add(seed << 4) ^ n;
        stream.write_all(&(0..200).map(noise).collect::<Vec<u8>>()).await.ok();
    }
    client.publish("in/x", "1").unwrap();
    assert_eq!(client.message().await.1, "1");
}

/// A device that does not read must not slow the others.
#[tokio::test]
async fn a_deaf_client_slows_nobody() {
    let broker = open_broker().await;
    let mut client = Client::ready(config(broker.addr().port(), "a")).await;
    let mut deaf = forgetful_client(broker.addr()).await;
    deaf.write_all(&subscribe_to_all_of_in()).await.unwrap();
    assert_eq!(read(&mut deaf, 5).await[0], 0x90, "a SUBACK was expected");
    let start = Instant::now();
    for n in 0..1_000 {
        client.publish("in/x", &format!("{n}{}", "x".repeat(20_000))).unwrap();
        client.message().await;
    }
    let took = start.elapsed();
    assert!(took < PATIENCE, "{took:?}");
}

#[tokio::test]
async fn addresses_of_ipv6_work() {
    let listen = "[::1]:0".parse().unwrap();
    let broker = match Broker::start(BrokerConfig { listen, ..BrokerConfig::on_loopback(0) }).await {
        // This computer has no IPv6.
        Err(BrokerError::NotOurs(_) | BrokerError::Listen { .. }) => return,
        started => started.unwrap(),
    };
    let config = LinkConfig { host: "::1".into(), ..config(broker.addr().port(), "a") };
    let mut client = Client::ready(config).await;
    client.publish("in/x", "1").unwrap();
    assert_eq!(client.message().await.1, "1");
    broker.stop().await;
    let (_, words, _) = client.down().await;
    assert!(words.contains("[::1]:"), "{words}");
}

#[tokio::test]
async fn topics_of_the_broker_itself_can_not_be_forged() {
    let broker = open_broker().await;
    let mut client = Client::ready(config(broker.addr().port(), "a")).await;
    client.publish("$SYS/broker/uptime", "forged").unwrap();
    let refused = |event| match event {
        LinkEvent::PublishRefused { topic, why } => Some((topic, why)),
        _ => None,
    };
    let refused = client.until("refusal", refused).await;
    assert_eq!(refused, ("$SYS/broker/uptime".into(), "this user may not publish there".into()));
}
