//! MQTT 3.1.1.

use std::sync::Arc;

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Outgoing,
    Packet, QoS, StateError, SubscribeFilter, SubscribeReasonCode, TlsError,
};
use tokio_rustls::rustls::ClientConfig;

use super::{Answer, Letter, Seen, message, network_options, transport};
use crate::config::Secret;
use crate::mqtt::bounds::{IN_FLIGHT, KEEP_ALIVE_LONGEST, KEEP_ALIVE_V311, OUTGOING, PACKET_BYTES_V311};
use crate::mqtt::fault::{Fault, Words};
use crate::mqtt::{LinkConfig, NotSent, Qos, Subscription};

pub(in crate::mqtt) struct Wire {
    events: EventLoop,
}

pub(super) fn open(
    config: &LinkConfig,
    password: Option<&Secret>,
    tls: Option<&Arc<ClientConfig>>,
) -> (AsyncClient, Wire) {
    let (client, mut events) = AsyncClient::new(options(config, password, tls), OUTGOING);
    events.set_network_options(network_options());
    (client, Wire { events })
}

fn options(config: &LinkConfig, password: Option<&Secret>, tls: Option<&Arc<ClientConfig>>) -> MqttOptions {
    let mut options = MqttOptions::new(&config.client_id, &config.host, config.port);
    options.set_transport(transport(tls));
    options.set_keep_alive(config.keep_alive.clamp(KEEP_ALIVE_V311, KEEP_ALIVE_LONGEST));
    options.set_clean_session(true);
    options.set_max_packet_size(PACKET_BYTES_V311, PACKET_BYTES_V311);
    options.set_inflight(IN_FLIGHT);
    if let Some(user) = &config.user {
        options.set_credentials(user, password.map_or("", Secret::reveal));
    }
    if let Some(will) = &config.will {
        let payload = will.payload.clone();
        options.set_last_will(LastWill::new(&will.topic, payload, QoS::AtLeastOnce, will.retained));
    }
    options
}

impl Wire {
    pub(super) async fn next(&mut self, words: &Words) -> Result<Seen, Fault> {
        match self.events.poll().await {
            Ok(Event::Incoming(packet)) => Ok(incoming(packet)),
            Ok(Event::Outgoing(sent)) => Ok(outgoing(&sent)),
            Err(error) => Err(fault(&error, words)),
        }
    }
}

fn incoming(packet: Packet) -> Seen {
    match packet {
        Packet::ConnAck(ack) => {
            Seen::Accepted { session_present: ack.session_present, keep_alive: None, packet_bytes: None }
        }
        Packet::Publish(publish) => message(publish.topic, &publish.payload, publish.retain),
        Packet::SubAck(ack) => {
            let answers = ack.return_codes.iter().map(subscribe_answer).collect();
            Seen::SubscribeAnswered(ack.pkid, answers)
        }
        Packet::PubAck(ack) => Seen::PublishAnswered(ack.pkid, Ok(())),
        _ => Seen::Other,
    }
}

/// Both versions share what the library tells of outgoing packets.
pub(super) fn outgoing(sent: &Outgoing) -> Seen {
    match sent {
        Outgoing::Subscribe(id) => Seen::SubscribeSent(*id),
        Outgoing::Publish(id) => Seen::PublishSent(*id),
        Outgoing::Disconnect => Seen::GoodbyeSent,
        _ => Seen::Other,
    }
}

fn subscribe_answer(code: &SubscribeReasonCode) -> Answer {
    match code {
        SubscribeReasonCode::Success(_) => Ok(()),
        SubscribeReasonCode::Failure => Err("the server refused it (3.1.1 servers don't say why)"),
    }
}

pub(super) fn publish(client: &AsyncClient, letter: Letter<'_>) -> Result<(), NotSent> {
    client
        .try_publish(letter.topic, qos(letter.qos), letter.retained, letter.payload)
        .map_err(|_| NotSent::Full)
}

pub(super) fn subscribe(client: &AsyncClient, subscriptions: &[Subscription]) -> bool {
    let filters = subscriptions.iter().map(|s| SubscribeFilter::new(s.filter.clone(), qos(s.qos)));
    client.try_subscribe_many(filters).is_ok()
}

fn qos(qos: Qos) -> QoS {
    match qos {
        Qos::AtMostOnce => QoS::AtMostOnce,
        Qos::AtLeastOnce => QoS::AtLeastOnce,
    }
}

fn fault(error: &ConnectionError, words: &Words) -> Fault {
    match error {
        ConnectionError::Io(error) => words.io(error),
        ConnectionError::NetworkTimeout => words.no_answer(),
        ConnectionError::FlushTimeout => words.silent(),
        ConnectionError::Tls(TlsError::Io(error)) => words.io(error),
        ConnectionError::Tls(TlsError::TLS(error)) => words.tls(error),
        ConnectionError::Tls(_) => words.tls_name(),
        ConnectionError::ConnectionRefused(code) => refused(*code, words),
        ConnectionError::MqttState(error) => state_fault(error, words),
        ConnectionError::NotConnAck(_) => words.garbage(),
        ConnectionError::RequestsDone => words.internal(),
    }
}

fn state_fault(error: &StateError, words: &Words) -> Fault {
    match error {
        StateError::Io(error) | StateError::Deserialization(rumqttc::Error::Io(error)) => words.io(error),
        // Servers have no DISCONNECT in 3.1.1, but some send one before they close.
        StateError::ConnectionAborted | StateError::WrongPacket => words.closed(),
        StateError::AwaitPingResp | StateError::CollisionTimeout => words.silent(),
        _ => words.garbage(),
    }
}

fn refused(code: ConnectReturnCode, words: &Words) -> Fault {
    match code {
        ConnectReturnCode::RefusedProtocolVersion => words.version(),
        ConnectReturnCode::BadClientId => words.client_id(),
        ConnectReturnCode::ServiceUnavailable => words.refused("says that it is busy"),
        ConnectReturnCode::BadUserNamePassword => words.login(),
        ConnectReturnCode::NotAuthorized => words.not_authorized(),
        ConnectReturnCode::Success => words.internal(),
    }
}
