//! The link against a real mosquitto, and against servers that misbehave.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use overspill::config::{Secret, SecretSource};
use overspill::mqtt::{
    ANSWERED_WITHIN, FaultKind, LastWord, Link, LinkConfig, LinkEvent, NotSent, PAYLOAD_BYTES, Protocol, Qos,
    Subscription, TlsConfig, Version, Will,
};
use overspill_tests::client::{Client, PATIENCE, config, heard};
use overspill_tests::servers::{Folder, Mosquitto, MosquittoSetup, free_port};
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;

#[tokio::test]
async fn connects_with_mqtt_5_and_hears_itself() {
    let server = Mosquitto::start();
    let mut client = Client::start(config(server.port(), "a"));
    assert_eq!(client.up().await, (Protocol::V5, 1, false));
    assert_eq!(client.subscribed().await, vec![]);
    client.publish("in/meter", "42").unwrap();
    assert_eq!(client.message().await, heard("in/meter", "42", false));
}

#[tokio::test]
async fn speaks_3_1_1_when_told() {
    let server = Mosquitto::start();
    let mut client = Client::start(LinkConfig { version: Version::V311, ..config(server.port(), "a") });
    assert_eq!(client.up().await, (Protocol::V311, 1, false));
    client.subscribed().await;
    client.publish("in/meter", "42").unwrap();
    assert_eq!(client.message().await, heard("in/meter", "42", false));
}

#[tokio::test]
async fn retained_messages_are_told_apart_from_live_ones() {
    let server = Mosquitto::start();
    for version in [Version::V5, Version::V311] {
        let writer = Client::ready(config(server.port(), "writer")).await;
        writer.retain("in/meter", "old");
        writer.link.shutdown(vec![]).await.unwrap();
        let mut client = Client::start(LinkConfig { version, ..config(server.port(), "a") });
        assert_eq!(client.message().await, heard("in/meter", "old", true));
        client.retain("in/meter", "new");
        assert_eq!(client.message().await, heard("in/meter", "new", false));
    }
}

#[tokio::test]
async fn many_filters_are_all_subscribed() {
    let server = Mosquitto::start();
    let subscriptions = (0..100).map(|n| Subscription::new(format!("in/{n}/value"))).collect();
    let mut client = Client::ready(LinkConfig { subscriptions, ..config(server.port(), "a") }).await;
    for n in [0, 7, 8, 63, 99] {
        let topic = format!("in/{n}/value");
        client.publish(&topic, "1").unwrap();
        assert_eq!(client.message().await.0, topic);
    }
}

#[tokio::test]
async fn an_outage_is_survived_and_nothing_comes_late() {
    for version in [Version::V5, Version::V311] {
        let mut server = Mosquitto::start();
        let mut client = Client::ready(LinkConfig { version, ..config(server.port(), "a") }).await;
        client.publish("in/meter", "before").unwrap();
        assert_eq!(client.message().await.1, "before");

        server.kill();
        client.publish("in/meter", "into the void").ok();
        let (kind, words, was_up) = client.down().await;
        assert!(was_up);
        assert_eq!(kind, FaultKind::Closed, "{words}");
        assert_eq!(client.publish("in/meter", "late"), Err(NotSent::NotConnected));
        let (kind, words, was_up) = client.down().await;
        assert!(!was_up);
        assert_eq!(kind, FaultKind::Unreachable, "{words}");
        assert!(words.contains("nothing is listening at 127.0.0.1"), "{words}");

        server.start_again();
        assert_eq!(client.up().await.1, 2);
        client.subscribed().await;
        client.publish("in/meter", "after").unwrap();
        assert_eq!(client.message().await.1, "after", "a message of before the outage came late");
    }
}

/// Messages that the server never acknowledged must not follow in the next connection.
#[tokio::test]
async fn unacknowledged_messages_are_not_sent_again() {
    for version in [Version::V5, Version::V311] {
        let server = FakeServer::start().await;
        let config = LinkConfig { version, subscriptions: vec![], ..config(server.port, "a") };
        let mut client = Client::start(config);
        let mut first = server.accept(version).await;
        client.up().await;
        for n in 0..150 {
            client.publish("out/car", &format!("{n}")).unwrap();
        }
        assert_eq!(first.packet().await.0 >> 4, 3, "a PUBLISH was expected");
        drop(first);
        client.down().await;

        // Even a server that claims to remember us gets nothing old.
        let mut second = server.accept_raw().await;
        second.connect().await;
        let remembers: &[u8] = if version == Version::V311 { &[0x20, 2, 1, 0] } else { &[0x20, 3, 1, 0, 0] };
        second.write(remembers).await;
        client.up().await;
        client.publish("out/car", "fresh").unwrap();
        let (kind, body) = second.packet().await;
        assert_eq!(kind >> 4, 3, "a PUBLISH was expected");
        assert!(body.ends_with(b"fresh"), "a message of the connection before was sent again");
    }
}

#[tokio::test]
async fn the_expiry_of_a_command_reaches_the_server() {
    let server = FakeServer::start().await;
    let mut client = Client::start(config(server.port, "a"));
    let mut connection = server.accept(Version::V5).await;
    client.up().await;
    assert_eq!(connection.packet().await.0 >> 4, 8, "a SUBSCRIBE was expected");
    let expiry = Some(Duration::from_millis(29_500));
    client.link.publish("out/car", "16", Qos::AtLeastOnce, false, expiry).unwrap();
    let (_, body) = connection.packet().await;
    // Properties: 5 bytes, property 2 (message expiry interval), 30 s.
    let properties = [5, 2, 0, 0, 0, 30];
    assert!(body.windows(6).any(|bytes| bytes == properties), "{body:?}");
}

#[tokio::test]
async fn falls_back_to_3_1_1_however_the_server_refuses_mqtt_5() {
    // With the code of 3.1.1, with the code of 5, and by closing the connection.
    let refusals: [&[u8]; 3] = [&[0x20, 2, 0, 1], &[0x20, 3, 0, 0x84, 0], &[]];
    for refusal in refusals {
        let server = FakeServer::start().await;
        let mut client = Client::start(config(server.port, "a"));
        let mut first = server.accept_raw().await;
        assert_eq!(first.connect().await, 5);
        first.write(refusal).await;
        drop(first);
        let mut second = server.accept(Version::V311).await;
        assert_eq!(client.up().await.0, Protocol::V311, "{refusal:?}");
        assert_eq!(second.packet().await.0 >> 4, 8, "a SUBSCRIBE was expected");
    }
}

#[tokio::test]
async fn a_server_without_mqtt_5_is_told_when_that_is_demanded() {
    let server = FakeServer::start().await;
    let mut client = Client::start(LinkConfig { version: Version::V5, ..config(server.port, "a") });
    let mut connection = server.accept_raw().await;
    connection.connect().await;
    connection.write(&[0x20, 3, 0, 0x84, 0]).await;
    let (kind, words, _) = client.down().await;
    assert_eq!(kind, FaultKind::Version, "{words}");
}

#[tokio::test]
async fn garbage_does_not_end_the_link() {
    for version in [Version::V5, Version::V311] {
        let server = FakeServer::start().await;
        let mut client = Client::start(LinkConfig { version, ..config(server.port, "a") });
        for seed in 0..12_u8 {
            let mut connection = server.accept(version).await;
            client.up().await;
            let noise = |n: u8| n.wrapping_mul(seed).wrapping_add(seed << 4) ^ n;
            connection.write(&(0..200).map(noise).collect::<Vec<u8>>()).await;
            drop(connection);
            client.down().await;
        }
    }
}

#[tokio::test]
async fn a_refused_subscription_is_told_in_words() {
    let server = FakeServer::start().await;
    let mut client = Client::start(config(server.port, "a"));
    let mut connection = server.accept(Version::V5).await;
    let (_, body) = connection.packet().await;
    connection.write(&[0x90, 4, body[0], body[1], 0, 0x87]).await;
    let refused = client.subscribed().await;
    assert_eq!(refused, vec![("in/#".into(), "this user may not read it".into())]);
}

#[tokio::test]
async fn a_refused_message_is_told_in_words() {
    let rules = Folder::new("acl");
    let file = rules.path().join("acl");
    fs::write(&file, "topic read #\n").unwrap();
    let more = format!("acl_file {}\n", file.display());
    let server = Mosquitto::start_with(&MosquittoSetup { more, ..MosquittoSetup::default() });
    let mut client = Client::ready(config(server.port(), "a")).await;
    client.publish("out/car", "16").unwrap();
    let refused = |event| match event {
        LinkEvent::PublishRefused { topic, why } => Some((topic, why)),
        _ => None,
    };
    let refused = client.until("refusal", refused).await;
    assert_eq!(refused, ("out/car".into(), "this user may not publish there".into()));
}

#[tokio::test]
async fn the_will_is_published_when_the_link_vanishes() {
    let server = Mosquitto::start();
    let mut watcher = Client::ready(config(server.port(), "watcher")).await;
    let will = Will { topic: "in/status".into(), payload: b"down".to_vec(), retained: true };
    for version in [Version::V5, Version::V311] {
        let mortal = LinkConfig { will: Some(will.clone()), version, ..config(server.port(), "mortal") };
        let mortal = Client::ready(mortal).await;
        // Dropping the receiver ends the task and with it the connection, without a good-bye.
        drop(mortal);
        assert_eq!(watcher.message().await, heard("in/status", "down", false));
    }
}

#[tokio::test]
async fn last_words_are_heard_and_the_will_is_not() {
    let server = Mosquitto::start();
    let mut watcher = Client::ready(config(server.port(), "watcher")).await;
    for version in [Version::V5, Version::V311] {
        let will = Some(Will { topic: "in/status".into(), payload: b"vanished".to_vec(), retained: false });
        let leaving = LinkConfig { will, version, subscriptions: vec![], ..config(server.port(), "leaving") };
        let leaving = Client::ready(leaving).await;
        leaving.publish("in/load", "off").unwrap();
        let last = LastWord { topic: "in/status".into(), payload: b"down".to_vec(), retained: true };
        leaving.link.shutdown(vec![last]).await.unwrap();
        assert_eq!(leaving.publish("in/load", "on"), Err(NotSent::Closing));
        assert_eq!(watcher.message().await, heard("in/load", "off", false));
        assert_eq!(watcher.message().await, heard("in/status", "down", false));
        watcher.publish("in/status", "end of test").unwrap();
        assert_eq!(watcher.message().await, heard("in/status", "end of test", false));
    }
}

#[tokio::test]
async fn shutting_down_without_a_connection_says_so_at_once() {
    let client = Client::start(config(free_port(), "a"));
    let start = Instant::now();
    assert_eq!(client.link.shutdown(vec![]).await, Err(NotSent::NotConnected));
    assert!(start.elapsed() < Duration::from_secs(1));
}

#[tokio::test]
async fn last_words_that_nobody_confirms_are_told() {
    let server = FakeServer::start().await;
    let mut client = Client::start(config(server.port, "a"));
    let _mute = server.accept(Version::V5).await;
    client.up().await;
    let last = LastWord { topic: "status".into(), payload: b"down".to_vec(), retained: true };
    assert_eq!(client.link.shutdown(vec![last]).await, Err(NotSent::Unconfirmed));
}

/// What is handed to a server that does not answer would be late when it goes on.
#[tokio::test]
async fn nothing_more_is_taken_while_the_server_does_not_acknowledge() {
    let server = FakeServer::start().await;
    let mut client = Client::start(config(server.port, "a"));
    let _mute = server.accept(Version::V5).await;
    client.up().await;
    client.publish("out/car", "16").unwrap();
    client.publish("out/car", "17").unwrap();
    let start = Instant::now();
    let refused = async {
        let mut ticks = tokio::time::interval(Duration::from_millis(100));
        while client.publish("out/car", "18") != Err(NotSent::Unanswered) {
            ticks.tick().await;
        }
    };
    timeout(PATIENCE, refused).await.expect("messages are taken for ever");
    assert!(start.elapsed() >= ANSWERED_WITHIN);
}

/// A client without our limits, to publish what we would not.
async fn retain_sizes(port: u16, sizes: &[(&str, usize)]) {
    let mut options = rumqttc::MqttOptions::new("writer", "127.0.0.1", port);
    options.set_max_packet_size(10_000_000, 10_000_000);
    let (writer, mut events) = rumqttc::AsyncClient::new(options, 10);
    for (topic, bytes) in sizes {
        writer.publish(*topic, rumqttc::QoS::AtLeastOnce, true, vec![b'x'; *bytes]).await.unwrap();
    }
    let mut acknowledged = 0;
    while acknowledged < sizes.len() {
        let event = timeout(PATIENCE, events.poll()).await.unwrap().unwrap();
        acknowledged += usize::from(matches!(event, rumqttc::Event::Incoming(rumqttc::Packet::PubAck(_))));
    }
}

#[tokio::test]
async fn a_retained_message_that_is_too_large_costs_only_itself() {
    let server = Mosquitto::start();
    retain_sizes(server.port(), &[("in/a", PAYLOAD_BYTES + 1), ("in/b", 2_000_000), ("in/c", 5)]).await;

    // With MQTT 5 the server keeps what is beyond the packet limit to itself.
    for (version, expected) in [(Version::V5, vec!["in/a"]), (Version::V311, vec!["in/a", "in/b"])] {
        let mut client = Client::start(LinkConfig { version, ..config(server.port(), "a") });
        let (mut dropped, mut arrived) = (Vec::new(), Vec::new());
        let all = client.until("all messages", |event| {
            match event {
                LinkEvent::Dropped { topic, bytes, why } => {
                    assert!(bytes > PAYLOAD_BYTES);
                    assert_eq!(why, "it is larger than 64 KiB");
                    dropped.push(topic);
                }
                LinkEvent::Message { topic, .. } => arrived.push(topic),
                LinkEvent::Down { why, .. } => panic!("{why}"),
                _ => {}
            }
            (dropped.len() + arrived.len() > expected.len()).then_some(())
        });
        all.await;
        dropped.sort();
        assert_eq!(dropped, expected);
        assert_eq!(arrived, ["in/c"]);
        client.publish("in/d", "still there").unwrap();
        assert_eq!(client.message().await.1, "still there");
    }
}

#[tokio::test]
async fn what_is_too_large_or_has_no_topic_is_not_sent() {
    let server = Mosquitto::start();
    let client = Client::ready(config(server.port(), "a")).await;
    let send = |client: &Client, topic: &str, bytes| {
        client.link.publish(topic, vec![b'x'; bytes], Qos::AtLeastOnce, false, None)
    };
    assert!(matches!(send(&client, "out/x", PAYLOAD_BYTES + 1), Err(NotSent::TooLarge { .. })));
    assert!(matches!(send(&client, "out/#", 1), Err(NotSent::BadTopic { .. })));
    send(&client, "out/x", PAYLOAD_BYTES).unwrap();

    let more = "max_packet_size 2000\n".to_owned();
    let small = Mosquitto::start_with(&MosquittoSetup { more, ..MosquittoSetup::default() });
    let mut client = Client::ready(config(small.port(), "a")).await;
    assert!(matches!(send(&client, "in/x", 2000), Err(NotSent::TooLarge { .. })));
    client.publish("in/x", "1").unwrap();
    assert_eq!(client.message().await.1, "1");
}

#[tokio::test]
async fn a_wrong_password_is_told_in_words() {
    let user = Some(("wren".to_owned(), "right".to_owned()));
    let server = Mosquitto::start_with(&MosquittoSetup { user, ..MosquittoSetup::default() });
    for version in [Version::Auto, Version::V5, Version::V311] {
        let login = |password: &str| LinkConfig {
            user: Some("wren".into()),
            password: Some(Secret::new(password.into()).into()),
            version,
            ..config(server.port(), "a")
        };
        let (kind, words, was_up) = Client::start(login("wrong")).down().await;
        assert!(!was_up);
        assert_eq!(kind, FaultKind::Login, "{words}");
        assert!(words.contains("user name or password") && !words.contains("wrong"), "{words}");
        Client::start(login("right")).up().await;
    }
}

#[tokio::test]
async fn a_password_file_is_read_for_each_connection() {
    let user = Some(("wren".to_owned(), "right".to_owned()));
    let server = Mosquitto::start_with(&MosquittoSetup { user, ..MosquittoSetup::default() });
    let folder = Folder::new("password");
    let file = folder.path().join("password");
    let password = Some(SecretSource::File(file.clone()).into());
    let config = LinkConfig { user: Some("wren".into()), password, ..config(server.port(), "a") };
    let mut client = Client::start(config);
    let (kind, words, _) = client.down().await;
    assert_eq!(kind, FaultKind::Login, "{words}");
    assert!(words.contains("can't be read: it is not there"), "{words}");
    fs::write(file, "right\n").unwrap();
    client.up().await;
}

#[tokio::test]
async fn a_server_that_says_that_our_place_was_taken_is_quoted() {
    let server = FakeServer::start().await;
    let mut client = Client::start(config(server.port, "twin"));
    let mut connection = server.accept(Version::V5).await;
    client.up().await;
    connection.write(&[0xE0, 2, 0x8E, 0]).await;
    let (kind, words, was_up) = client.down().await;
    assert!(was_up);
    assert_eq!(kind, FaultKind::Evicted, "{words}");
    assert!(words.contains("another program connected"), "{words}");
    assert!(words.contains("client id \"twin\""), "{words}");
}

/// This mosquitto does not say it in either version of MQTT: it only closes the connection.
#[tokio::test]
async fn another_client_with_the_same_id_is_guessed() {
    let server = Mosquitto::start();
    for version in [Version::V5, Version::V311] {
        let twin = || LinkConfig { version, ..config(server.port(), "twin") };
        let mut first = Client::start(twin());
        let _second = Client::start(twin());
        let guess = |event| match event {
            LinkEvent::Down { why, .. } if why.kind == FaultKind::Evicted => Some(why.words),
            _ => None,
        };
        let words = first.until("guess", guess).await;
        assert!(words.contains("perhaps another program uses the client id \"twin\" too"), "{words}");
    }
}

#[tokio::test]
async fn tls_with_a_private_authority() {
    let folder = Folder::new("tls");
    let (ca, certificate, key) = private_authority("127.0.0.1");
    let (other_ca, _, _) = private_authority("127.0.0.1");
    let (ca_file, other_file) = (folder.path().join("ca.pem"), folder.path().join("other.pem"));
    fs::write(&ca_file, ca).unwrap();
    fs::write(&other_file, other_ca).unwrap();
    let tls = Some((certificate, key));
    let server = Mosquitto::start_with(&MosquittoSetup { tls, ..MosquittoSetup::default() });

    for version in [Version::V5, Version::V311] {
        let trusting = |file| LinkConfig {
            tls: Some(TlsConfig { ca_file: file }),
            version,
            ..config(server.port(), "a")
        };
        let mut client = Client::ready(trusting(Some(ca_file.clone()))).await;
        client.publish("in/meter", "42").unwrap();
        assert_eq!(client.message().await.1, "42");
        drop(client);

        let (kind, words, _) = Client::start(trusting(Some(other_file.clone()))).down().await;
        assert_eq!(kind, FaultKind::Tls, "{words}");
        let by_name = LinkConfig { host: "localhost".into(), ..trusting(Some(ca_file.clone())) };
        let (kind, words, _) = Client::start(by_name).down().await;
        assert_eq!(kind, FaultKind::Tls, "{words}");
        assert!(words.contains("certificate for another name than \"localhost\""), "{words}");
    }
    // Speaking plainly to a port of TLS, and TLS to a plain one.
    let (kind, words, _) = Client::start(config(server.port(), "a")).down().await;
    assert!(matches!(kind, FaultKind::ClosedEarly | FaultKind::Garbage), "{words}");
    let plain = Mosquitto::start();
    let tls = Some(TlsConfig { ca_file: Some(ca_file) });
    let (kind, words, _) = Client::start(LinkConfig { tls, ..config(plain.port(), "a") }).down().await;
    assert!(matches!(kind, FaultKind::Tls | FaultKind::ClosedEarly), "{words}");
}

#[tokio::test]
async fn a_ca_file_that_can_not_be_used_is_told_at_the_start() {
    let folder = Folder::new("ca");
    let file = folder.path().join("empty.pem");
    fs::write(&file, "no certificate").unwrap();
    for (path, words) in [(folder.path().join("missing.pem"), "could not be read"), (file, "no certificate")]
    {
        let tls = Some(TlsConfig { ca_file: Some(path) });
        let error = Link::start(LinkConfig { tls, ..config(1, "a") }).err().unwrap().to_string();
        assert!(error.contains(words), "{error}");
    }
}

#[tokio::test]
async fn a_frozen_server_is_noticed() {
    let server = Mosquitto::start();
    let keep_alive = Duration::from_secs(1);
    let frozen = LinkConfig { version: Version::V311, keep_alive, ..config(server.port(), "a") };
    let mut client = Client::ready(frozen).await;
    server.freeze();
    let start = Instant::now();
    let (kind, words, was_up) = client.down().await;
    assert!(was_up);
    assert_eq!(kind, FaultKind::Silent, "{words}");
    assert!(start.elapsed() < Duration::from_secs(10), "{:?}", start.elapsed());
    assert_eq!(client.publish("in/meter", "late"), Err(NotSent::NotConnected));
    server.thaw();
    client.subscribed().await;
    client.publish("in/meter", "fresh").unwrap();
    assert_eq!(client.message().await.1, "fresh");
}

/// The library waits without limit for a socket that takes nothing; the link must not.
#[tokio::test]
async fn a_server_that_stops_reading_is_noticed() {
    let server = FakeServer::start().await;
    let keep_alive = Duration::from_secs(5);
    let config = LinkConfig { keep_alive, subscriptions: vec![], ..config(server.port, "a") };
    let mut client = Client::start(config);
    let _deaf = server.accept(Version::V5).await;
    client.up().await;
    let big = vec![b'x'; PAYLOAD_BYTES];
    let fill = async {
        while client.link.publish("out/x", big.clone(), Qos::AtMostOnce, false, None).is_ok() {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, fill).await.expect("the way out is bounded");
    let (kind, words, _) = client.down().await;
    assert_eq!(kind, FaultKind::Silent, "{words}");
}

#[tokio::test]
async fn a_reader_that_is_behind_loses_messages_but_not_the_connection() {
    let server = Mosquitto::start();
    let writer = LinkConfig { subscriptions: vec![], ..config(server.port(), "writer") };
    let writer = Client::ready(writer).await;
    let mut slow = Client::ready(config(server.port(), "slow")).await;
    let total = 2_000;
    let mut sent = 0;
    while sent < total {
        match writer.link.publish("in/flood", "1", Qos::AtMostOnce, false, None) {
            Ok(()) => sent += 1,
            Err(NotSent::Full) => tokio::task::yield_now().await,
            Err(error) => panic!("{error}"),
        }
    }
    // The reader is busy with something else for longer than the link waits for it.
    timeout(Duration::from_millis(1500), std::future::pending::<()>()).await.unwrap_err();

    let (mut seen, mut lost) = (0, 0);
    let all = slow.until("account of all messages", |event| {
        match event {
            LinkEvent::Message { .. } => seen += 1,
            LinkEvent::Overrun { messages } => lost += messages,
            LinkEvent::Down { why, .. } => panic!("{why}"),
            _ => {}
        }
        // The last loss is told with the next message.
        writer.publish("in/nudge", "").ok();
        (seen + lost >= total).then_some(())
    });
    all.await;
    assert!(lost > 0, "{seen} seen, {lost} lost");
}

/// The certificate of an authority, a certificate that it signed for a name or an address, and the key of that, in PEM.
fn private_authority(name: &str) -> (String, String, String) {
    let ca_key = KeyPair::generate().unwrap();
    let mut ca = CertificateParams::new(vec![]).unwrap();
    ca.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let ca_certificate = ca.self_signed(&ca_key).unwrap();
    let issuer = Issuer::new(ca, ca_key);
    let key = KeyPair::generate().unwrap();
    let params = CertificateParams::new(vec![name.to_owned()]).unwrap();
    let certificate = params.signed_by(&key, &issuer).unwrap();
    (ca_certificate.pem(), certificate.pem(), key.serialize_pem())
}

/// A server that does only what the test says.
struct FakeServer {
    listener: TcpListener,
    port: u16,
}

impl FakeServer {
    async fn start() -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        Self { listener, port }
    }

    async fn accept_raw(&self) -> FakeConnection {
        let (stream, _) = timeout(PATIENCE, self.listener.accept()).await.unwrap().unwrap();
        FakeConnection(stream)
    }

    /// Accepts the next client of this version.
    async fn accept(&self, version: Version) -> FakeConnection {
        let mut connection = self.accept_raw().await;
        let level = connection.connect().await;
        if version == Version::V311 {
            assert_eq!(level, 4);
            connection.write(&[0x20, 2, 0, 0]).await;
        } else {
            assert_eq!(level, 5);
            connection.write(&[0x20, 3, 0, 0, 0]).await;
        }
        connection
    }
}

struct FakeConnection(TcpStream);

impl FakeConnection {
    /// Reads the CONNECT packet and gives its protocol level.
    async fn connect(&mut self) -> u8 {
        let (kind, body) = self.packet().await;
        assert_eq!(kind, 0x10, "a CONNECT was expected");
        body[6]
    }

    async fn packet(&mut self) -> (u8, Vec<u8>) {
        timeout(PATIENCE, self.read_packet()).await.expect("no packet in time")
    }

    async fn read_packet(&mut self) -> (u8, Vec<u8>) {
        let kind = self.0.read_u8().await.unwrap();
        let (mut length, mut shift) = (0, 0);
        loop {
            let byte = self.0.read_u8().await.unwrap();
            length |= usize::from(byte & 0x7f) << shift;
            shift += 7;
            if byte & 0x80 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.0.read_exact(&mut body).await.unwrap();
        (kind, body)
    }

    async fn write(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).await.unwrap();
    }
}
