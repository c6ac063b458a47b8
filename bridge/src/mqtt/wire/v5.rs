//! MQTT 5.

use std::sync::Arc;
use std::time::Duration;

use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnectReturnCode, DisconnectReasonCode, Filter, LastWill, Packet, PubAckReason, Publish,
    PublishProperties, SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{Error as PacketError, QoS};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, StateError, TlsError};
use tokio_rustls::rustls::ClientConfig;

use super::{Answer, Letter, Seen, message, network_options, transport};
use crate::config::Secret;
use crate::mqtt::bounds::{
    CONNECT_WITHIN, IN_FLIGHT, KEEP_ALIVE_LONGEST, KEEP_ALIVE_V5, OUTGOING, PACKET_BYTES_V5,
};
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
    events.options.set_network_options(network_options());
    (client, Wire { events })
}

fn options(config: &LinkConfig, password: Option<&Secret>, tls: Option<&Arc<ClientConfig>>) -> MqttOptions {
    let mut options = MqttOptions::new(&config.client_id, &config.host, config.port);
    options.set_transport(transport(tls));
    options.set_keep_alive(config.keep_alive.clamp(KEEP_ALIVE_V5, KEEP_ALIVE_LONGEST));
    options.set_clean_start(true);
    options.set_connection_timeout(CONNECT_WITHIN.as_secs());
    options.set_max_packet_size(Some(PACKET_BYTES_V5));
    options.set_outgoing_inflight_upper_limit(IN_FLIGHT);
    if let Some(user) = &config.user {
        options.set_credentials(user, password.map_or("", Secret::reveal));
    }
    if let Some(will) = &config.will {
        let payload = will.payload.clone();
        options.set_last_will(LastWill::new(&will.topic, payload, QoS::AtLeastOnce, will.retained, None));
    }
    options
}

impl Wire {
    pub(super) async fn next(&mut self, words: &Words) -> Result<Seen, Fault> {
        match self.events.poll().await {
            Ok(Event::Incoming(packet)) => Ok(incoming(packet)),
            Ok(Event::Outgoing(outgoing)) => Ok(super::v311::outgoing(&outgoing)),
            Err(error) => Err(fault(&error, words)),
        }
    }
}

fn incoming(packet: Packet) -> Seen {
    match packet {
        Packet::ConnAck(ack) => accepted(&ack),
        Packet::Publish(publish) => published(&publish),
        Packet::SubAck(ack) => {
            let answers = ack.return_codes.iter().map(subscribe_answer).collect();
            Seen::SubscribeAnswered(ack.pkid, answers)
        }
        Packet::PubAck(ack) => Seen::PublishAnswered(ack.pkid, publish_answer(ack.reason)),
        _ => Seen::Other,
    }
}

fn accepted(ack: &ConnAck) -> Seen {
    let properties = ack.properties.as_ref();
    let keep_alive = properties.and_then(|properties| properties.server_keep_alive);
    Seen::Accepted {
        session_present: ack.session_present,
        keep_alive: keep_alive.map(|seconds| Duration::from_secs(u64::from(seconds))),
        packet_bytes: properties.and_then(|properties| properties.max_packet_size),
    }
}

fn published(publish: &Publish) -> Seen {
    match std::str::from_utf8(&publish.topic) {
        Ok(topic) => message(topic.to_owned(), &publish.payload, publish.retain),
        Err(_) => Seen::Unfit {
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            bytes: publish.payload.len(),
            why: "its topic is not text",
        },
    }
}

fn subscribe_answer(code: &SubscribeReasonCode) -> Answer {
    match code {
        SubscribeReasonCode::Success(_) => Ok(()),
        SubscribeReasonCode::NotAuthorized => Err("this user may not read it"),
        SubscribeReasonCode::TopicFilterInvalid => Err("the server does not take this filter"),
        SubscribeReasonCode::QuotaExceeded => Err("the server allows no more subscriptions"),
        SubscribeReasonCode::WildcardSubscriptionsNotSupported => {
            Err("the server does not take filters with + or #")
        }
        SubscribeReasonCode::SharedSubscriptionsNotSupported => {
            Err("the server does not take shared subscriptions")
        }
        _ => Err("the server refused it without saying why"),
    }
}

fn publish_answer(reason: PubAckReason) -> Answer {
    match reason {
        PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
        PubAckReason::NotAuthorized => Err("this user may not publish there"),
        PubAckReason::TopicNameInvalid => Err("the server does not take this topic"),
        PubAckReason::QuotaExceeded => Err("the server takes no more for now"),
        PubAckReason::PayloadFormatInvalid => Err("the server does not take this payload"),
        _ => Err("the server refused it without saying why"),
    }
}

pub(super) fn publish(client: &AsyncClient, letter: Letter<'_>) -> Result<(), NotSent> {
    let properties = PublishProperties {
        message_expiry_interval: letter.expiry.map(whole_seconds),
        ..PublishProperties::default()
    };
    let qos = qos(letter.qos);
    client
        .try_publish_with_properties(letter.topic, qos, letter.retained, letter.payload, properties)
        .map_err(|_| NotSent::Full)
}

/// A part of a second counts as one: 0 would be "expired already".
fn whole_seconds(span: Duration) -> u32 {
    let part = u64::from(span.subsec_nanos() > 0);
    u32::try_from(span.as_secs().saturating_add(part)).unwrap_or(u32::MAX).max(1)
}

pub(super) fn subscribe(client: &AsyncClient, subscriptions: &[Subscription]) -> bool {
    let filters = subscriptions.iter().map(|s| Filter::new(&s.filter, qos(s.qos)));
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
        ConnectionError::Timeout(_) => words.no_answer(),
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
        StateError::Io(error) | StateError::Deserialization(PacketError::Io(error)) => words.io(error),
        StateError::ConnectionAborted => words.closed(),
        StateError::AwaitPingResp | StateError::CollisionTimeout => words.silent(),
        StateError::ServerDisconnect { reason_code, .. } => disconnected(*reason_code, words),
        StateError::ConnFail { reason } => refused(*reason, words),
        _ => words.garbage(),
    }
}

fn refused(code: ConnectReturnCode, words: &Words) -> Fault {
    match code {
        ConnectReturnCode::RefusedProtocolVersion | ConnectReturnCode::UnsupportedProtocolVersion => {
            words.version()
        }
        ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::BadAuthenticationMethod => words.login(),
        ConnectReturnCode::NotAuthorized => words.not_authorized(),
        ConnectReturnCode::BadClientId | ConnectReturnCode::ClientIdentifierNotValid => words.client_id(),
        ConnectReturnCode::ServerBusy
        | ConnectReturnCode::ServiceUnavailable
        | ConnectReturnCode::ServerUnavailable => words.refused("says that it is busy"),
        ConnectReturnCode::Banned => words.refused("has banned this client"),
        ConnectReturnCode::ConnectionRateExceeded => {
            words.refused("says that this client connects too often")
        }
        ConnectReturnCode::TopicNameInvalid
        | ConnectReturnCode::PayloadFormatInvalid
        | ConnectReturnCode::RetainNotSupported
        | ConnectReturnCode::QoSNotSupported => words.refused("does not take this program's will message"),
        ConnectReturnCode::UseAnotherServer | ConnectReturnCode::ServerMoved => {
            words.refused("says that another server should be used")
        }
        ConnectReturnCode::MalformedPacket | ConnectReturnCode::ProtocolError => words.version(),
        _ => words.refused("refused this program without saying why"),
    }
}

fn disconnected(code: DisconnectReasonCode, words: &Words) -> Fault {
    match code {
        DisconnectReasonCode::SessionTakenOver => words.evicted(),
        DisconnectReasonCode::NotAuthorized => words.not_authorized(),
        DisconnectReasonCode::ServerBusy => words.refused("says that it is busy"),
        DisconnectReasonCode::KeepAliveTimeout => words.refused("heard nothing of this program for too long"),
        DisconnectReasonCode::AdministrativeAction => words.refused("was told to end the connection"),
        DisconnectReasonCode::MessageRateTooHigh
        | DisconnectReasonCode::QuotaExceeded
        | DisconnectReasonCode::ReceiveMaximumExceeded => {
            words.refused("says that this program sends too much")
        }
        DisconnectReasonCode::PacketTooLarge => words.refused("says that a message was too large"),
        DisconnectReasonCode::UseAnotherServer | DisconnectReasonCode::ServerMoved => {
            words.refused("says that another server should be used")
        }
        _ => words.closed(),
    }
}
