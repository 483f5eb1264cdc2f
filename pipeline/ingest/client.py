"""
The MQTT client of a station: messages to the spool, acknowledged only once they are durable.

The network thread copies topic and bytes into a queue. A writer thread appends what came within
`group_commit_ms`, syncs, and then acknowledges in the order of arrival. So an acknowledgement
leaves at most the window, the sync under way and its own sync after the message came.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import paho.mqtt.client as mqtt

from pipeline.errors import StationError
from pipeline.ingest.codecs import CUT_PAYLOAD
from pipeline.ingest.connection import STATUS_EXPIRY_S, Connection
from pipeline.ingest.group_writer import Appender, GroupWriter
from pipeline.ingest.record_queue import Entry, Receipt, RecordQueue
from pipeline.site.models import Broker
from pipeline.store.spool import Record, RecordKind

KEEP_WHOLE_BYTES = 16 * 1024 * 1024
"""Of a larger payload only length, hash and first bytes are kept; the gate refuses it."""
CUT_BYTES = 64 * 1024


@dataclass(frozen=True)
class Limits:
    """Bounds of queue and groups, and how patient the threads are."""

    queue_records: int = 20_000
    queue_bytes: int = 64 * 1024 * 1024
    group_records: int = 10_000
    group_bytes: int = 8 * 1024 * 1024
    patience_s: float = 10.0
    """A full queue holds the network thread so long at most; well below 1.5 keepalives."""
    resubscribe_s: float = 10.0


@dataclass(frozen=True)
class ClientStatistics:
    """What the client has seen since its start; counts are of messages unless said otherwise."""

    is_connected: bool
    is_subscribed: bool
    connected_since_us: int | None
    last_message_us: int | None
    """Receipt of the newest message."""
    generation: int
    """Changes with every connection and every loss of one."""
    received: int
    acknowledged: int
    late_acknowledgements: int
    """Not sent, since they belonged to an older connection; those messages come again."""
    left_unacknowledged: int
    """Not kept, so not acknowledged: queue full, spool failed, or stopping; they come again."""
    flagged_duplicate: int
    retained_ignored: int
    without_guarantee: int
    """Sent at QoS 0: kept, but nobody would have sent them again."""
    cut: int
    """Too large to be kept whole."""
    sequence_unreadable: int
    appended: int
    """Records that are durable, the station's own included."""
    unusable_records: int
    """Records that the spool cannot hold; a fault of the software."""
    callback_errors: int
    refused_connections: int
    refused_subscriptions: int
    queue_depth: int
    """Records."""
    groups: int
    max_group_delay_s: float
    """From the arrival of a group's first record to its acknowledgement."""
    fault: str | None
    """What keeps messages from being taken now, and what to do; None: nothing that is known."""
    lost_connections: int = 0
    """Not counted: those that we dropped ourselves."""
    flapping: str | None = None
    """Another client uses our id, or the link flaps, and what to do; None: nothing says so."""


@dataclass
class _Counts:
    """Counted by the network thread, and the acknowledgements by the writer."""

    last_message_us: int | None = None
    received: int = 0
    acknowledged: int = 0
    late_acknowledgements: int = 0
    left_unacknowledged: int = 0
    flagged_duplicate: int = 0
    retained_ignored: int = 0
    without_guarantee: int = 0
    cut: int = 0
    sequence_unreadable: int = 0


class BrokerClient:
    """
    The only connection of a structure's station: takes readings, writes records, publishes.

    Args:
        structure: its id; the client id is `spanwarden-{structure}`.
        broker: the site's broker section.
        spool: where records go; they must be durable when `append` returns.
        clock: µs since 1970 UTC, for the time of receipt.
        environ: where the broker's password is looked up.
        group_commit_ms: how long a group waits for more.
        on_failure: told once, from the writer thread, that the spool failed. From then on nothing
            is kept or acknowledged; the connection stays, so that this can be told over it. The
            way back is a new client on a spool that was opened again.
        offline: payload of the status topic when the station is gone: last will, and at `stop`.
        limits: bounds of queue and groups.

    Raises:
        StationError: the password is missing, or a TLS file cannot be used.
    """

    def __init__(
        self,
        structure: str,
        broker: Broker,
        spool: Appender,
        *,
        clock: Callable[[], int],
        environ: Mapping[str, str],
        group_commit_ms: float = 100.0,
        on_failure: Callable[[str], None] = lambda text: None,
        offline: bytes = b"offline",
        limits: Limits | None = None,
    ) -> None:
        self.client_id = f"spanwarden-{structure}"
        self.status_topic = f"{broker.prefix}/{structure}/station"
        self._clock, self._offline = clock, offline
        self._limits = limits = limits or Limits()
        self._counts = _Counts()
        self._queue = RecordQueue(limits.queue_records, limits.queue_bytes)
        topic = f"{broker.prefix}/{structure}/+/readings"
        self._connection = Connection(
            broker,
            self.client_id,
            topic,
            (self.status_topic, offline),
            deliver=self._deliver,
            clock=clock,
            environ=environ,
            resubscribe_s=limits.resubscribe_s,
        )
        self._writer = self._new_writer(spool, broker, group_commit_ms, on_failure)

    def start(self) -> None:
        """Begin to write, and to connect for as long as that takes; returns at once."""
        self._writer.start()
        self._connection.start()

    def stop(self, timeout_s: float = 4.0) -> bool:
        """
        Write and acknowledge what has come, say that we are gone, and disconnect.

        Returns:
            Whether all threads ended in time; what was not acknowledged comes again.
        """
        deadline = time.monotonic() + timeout_s
        self._queue.close()
        has_written = self._writer.join(timeout_s / 2)
        self.publish(
            self.status_topic,
            self._offline,
            retain=True,
            expiry_s=STATUS_EXPIRY_S,
            timeout_s=timeout_s / 8,
        )
        return self._connection.close(max(0.1, deadline - time.monotonic())) and has_written

    def submit(
        self, records: Sequence[Record], *, wait: bool = False, timeout_s: float = 10.0
    ) -> bool:
        """
        Put the station's own records into the spool, behind what has come before.

        Args:
            records: they stay together and in this order.
            wait: until they are durable; else only until they are queued.
            timeout_s: how long to wait for room, and again for the sync.

        Returns:
            Whether they are durable, or queued. False from `wait` after a time-out does not say
            that they will never be written.
        """
        if not records:
            return not self._queue.is_closed
        receipt = Receipt()
        entries = [Entry(record) for record in records]
        entries[-1].receipt = receipt
        if not self._queue.put(entries, timeout_s):
            return False
        return receipt.wait(timeout_s) if wait else True

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        expiry_s: int | None = None,
        timeout_s: float = 5.0,
    ) -> bool:
        """
        Publish at QoS 1; whether the broker took it within `timeout_s`.

        False at once when there is no connection. After a time-out the broker may still get it:
        publishing again must do no harm. `expiry_s` needs MQTT 5; before it nothing expires.

        Raises:
            StationError: called from one of the client's callbacks, where it would never end.
        """
        if threading.current_thread() is self._connection.network:
            raise StationError(
                "publish waits for an answer that only this very thread can read. Publish from "
                "another thread."
            )
        return self._connection.publish(topic, payload, retain, expiry_s, timeout_s)

    def is_alive(self) -> bool:
        """
        Whether network and writer thread run and the spool takes records.

        What paho says of being connected is no sign of life: it says so with a dead thread.
        """
        network = self._connection.network
        return self._writer.is_alive() and (network is None or network.is_alive())

    def statistics(self) -> ClientStatistics:
        """What has happened since the start."""
        connection, writer = self._connection, self._writer
        return ClientStatistics(
            is_connected=connection.is_connected,
            is_subscribed=connection.is_subscribed,
            connected_since_us=connection.connected_since_us,
            generation=connection.generation,
            appended=writer.appended,
            unusable_records=writer.unusable,
            callback_errors=connection.callback_errors,
            refused_connections=connection.refused_connections,
            refused_subscriptions=connection.refused_subscriptions,
            queue_depth=len(self._queue),
            groups=writer.groups,
            max_group_delay_s=writer.max_delay_s,
            fault=writer.failure or connection.fault,
            lost_connections=connection.losses.count,
            flapping=connection.flapping,
            **vars(self._counts),
        )

    def _new_writer(
        self,
        spool: Appender,
        broker: Broker,
        group_commit_ms: float,
        on_failure: Callable[[str], None],
    ) -> GroupWriter:
        limits = self._limits
        return GroupWriter(
            self._queue,
            spool,
            acknowledge=self._acknowledge,
            maintain=self._connection.maintain,
            on_failure=on_failure,
            window_s=group_commit_ms / 1000,
            # Half of what the broker sends ahead: the other half is on its way meanwhile.
            enough=max(1, min(broker.receive_maximum // 2, limits.group_records)),
            max_records=limits.group_records,
            max_bytes=limits.group_bytes,
        )

    def _deliver(self, message: mqtt.MQTTMessage, generation: int) -> bool:
        counts = self._counts
        counts.received += 1
        if self._queue.is_closed:  # stopping, or the spool failed: the broker keeps it
            counts.left_unacknowledged += 1
            return True
        received_us = self._clock()
        counts.last_message_us = received_us
        counts.flagged_duplicate += message.dup
        counts.without_guarantee += message.qos == 0
        record = None
        if message.retain:
            counts.retained_ignored += 1  # an old value, sent for the sake of the subscription
        else:
            record = self._record(message, received_us)
        entry = Entry(record, message.mid if message.qos else 0, generation)
        if self._queue.put((entry,), self._limits.patience_s):
            return True
        counts.left_unacknowledged += 1
        return self._queue.is_closed

    def _record(self, message: mqtt.MQTTMessage, received_us: int) -> Record:
        content_type, sequence = "", None
        properties = message.properties
        if properties is not None:
            content_type = getattr(properties, "ContentType", "")
            for key, text in getattr(properties, "UserProperty", ()):
                if key == "sequence":
                    sequence = _whole(text)
                    self._counts.sequence_unreadable += sequence is None
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""  # the gate refuses it, and quarantine keeps the payload
        payload = bytes(message.payload)
        if len(payload) > KEEP_WHOLE_BYTES:
            self._counts.cut += 1
            payload, content_type = _cut(payload), CUT_PAYLOAD
        return Record(RecordKind.MESSAGE, received_us, payload, topic, content_type, sequence)

    def _acknowledge(self, entries: Sequence[Entry]) -> None:
        sent, late = self._connection.acknowledge(entries)
        self._counts.acknowledged += sent
        self._counts.late_acknowledgements += late


def _whole(text: str) -> int | None:
    if text.isascii() and text.isdigit() and len(text) <= 19 and int(text) < 2**63:
        return int(text)
    return None


def _cut(payload: bytes) -> bytes:
    told = f"{len(payload)} bytes, SHA-256 {hashlib.sha256(payload).hexdigest()}\n"
    return told.encode() + payload[:CUT_BYTES]
