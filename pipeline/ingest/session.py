"""
A paho client as the site's broker section says: session, limits, TLS, user; and its refusals.

The client does not connect here: callbacks must be set first, or a resumed session delivers into
nothing.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from pipeline.errors import StationError
from pipeline.site.models import Broker, Tls

KEEPALIVE_S = 30
RETRY_MIN_S, RETRY_MAX_S = 1, 30
CONNECT_TIMEOUT_S = 5.0
NO_RETAINED_AT_SUBSCRIBE = 2
"""MQTT 5, 3.8.3.1: retain handling."""


def is_mqtt5(broker: Broker) -> bool:
    """Whether MQTT 5 is spoken with this broker."""
    return broker.protocol == "5"


def new_client(
    broker: Broker,
    client_id: str,
    environ: Mapping[str, str],
    *,
    manual_ack: bool = True,
    is_clean: bool = False,
) -> mqtt.Client:
    """
    A client that is not yet connected.

    Args:
        broker: where and how.
        client_id: fixed, since the session belongs to it.
        environ: where the password is looked up.
        manual_ack: whether messages wait for `ack`; else paho acknowledges after the callback.
        is_clean: end a session that was there, and keep none (before MQTT 5; from then on
            `connect_soon` says it).

    Raises:
        StationError: the password is not in the environment, or a TLS file cannot be used.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=mqtt.MQTTv5 if is_mqtt5(broker) else mqtt.MQTTv311,
        clean_session=None if is_mqtt5(broker) else is_clean,
        manual_ack=manual_ack,
    )
    client.reconnect_delay_set(RETRY_MIN_S, RETRY_MAX_S)
    client.connect_timeout = CONNECT_TIMEOUT_S
    if broker.username is not None:
        client.username_pw_set(broker.username, _password(broker, environ))
    if broker.tls is not None:
        _use_tls(client, broker.tls)
    return client


def connect_soon(
    client: mqtt.Client, broker: Broker, expiry_s: int | None = None, *, is_clean: bool = False
) -> None:
    """
    Let the client connect from its network thread, which starts here, again and again.

    Args:
        client: from `new_client`, with its callbacks.
        broker: as for `new_client`.
        expiry_s: how long the broker keeps the session; None: as the site says.
        is_clean: end a session that was there.
    """
    if is_mqtt5(broker):
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        kept_s = round(broker.session_expiry_h * 3600) if expiry_s is None else expiry_s
        properties.SessionExpiryInterval = min(kept_s, 0xFFFFFFFF)
        properties.ReceiveMaximum = broker.receive_maximum
        client.connect_async(
            broker.host, broker.port, KEEPALIVE_S, clean_start=is_clean, properties=properties
        )
    else:
        client.connect_async(broker.host, broker.port, KEEPALIVE_S)
    client.loop_start()


def subscribe(client: mqtt.Client, broker: Broker, topic: str) -> None:
    """Subscribe at QoS 1, without retained messages where the protocol can say so."""
    if is_mqtt5(broker):
        client.subscribe(
            topic, options=SubscribeOptions(qos=1, retainHandling=NO_RETAINED_AT_SUBSCRIBE)
        )
    else:
        client.subscribe(topic, qos=1)


def expiring(expiry_s: int | None, packet: int, broker: Broker) -> Properties | None:
    """Properties of a message that the broker forgets after `expiry_s`; None before MQTT 5."""
    if expiry_s is None or not is_mqtt5(broker):
        return None
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = expiry_s
    return properties


def refused_connection(broker: Broker, code: ReasonCode) -> str:
    """What a person reads when the broker answers CONNECT with a failure."""
    text = f"broker {broker.host}:{broker.port} refuses the connection: {code}."
    if code.value in (0x86, 0x87):  # bad user name or password; not authorized
        who = f'user "{broker.username}"' if broker.username else "no user"
        return (
            f"{text} It was asked with {who}: compare username and password_env in site.toml "
            "with the broker's own list of users."
        )
    if code.value == 0x84:  # unsupported protocol version
        return f'{text} Set protocol = "3.1.1" in the broker section of site.toml.'
    return f"{text} See the broker's log."


def refused_subscription(topic: str, codes: list[ReasonCode]) -> str:
    """What a person reads when the broker does not grant QoS 1 for the topic."""
    told = ", ".join(str(code) for code in codes) or "no answer"
    return (
        f'broker answers the subscription to "{topic}" with: {told}; QoS 1 is needed. Allow the '
        "station's user to read this topic at QoS 1."
    )


def _password(broker: Broker, environ: Mapping[str, str]) -> str | None:
    if broker.password_env is None:
        return None
    password = environ.get(broker.password_env)
    if password is None:
        raise StationError(
            f"the broker's password is expected in the environment variable "
            f'"{broker.password_env}", which is not set. Set it for the station, for example in '
            "its service's credential file."
        )
    return password


def _use_tls(client: mqtt.Client, tls: Tls) -> None:
    files = (tls.ca_file, tls.certificate_file, tls.key_file)
    for path in files:
        if path is not None and not os.access(path, os.R_OK):
            raise StationError(
                f'TLS file "{path}" is missing or cannot be read. Correct the path in site.toml, '
                "or let the station's user read it."
            )
    try:
        client.tls_set(*files)
    except OSError as error:  # ssl.SSLError is one
        raise StationError(
            f"TLS files {', '.join(f for f in files if f)} cannot be used: {error}. They must be "
            "PEM files, and the key must belong to the certificate."
        ) from error
