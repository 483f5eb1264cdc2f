"""
MQTT 5 PUBLISH packets at QoS 1, made once and sent as fast as the broker acknowledges.

A client library would take longer to publish a backlog than the station takes to work it off.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterable, Sequence

from surroundings import HOST, BenchmarkError

WINDOW = 500
"""Packets on the way without an acknowledgement; below the broker's receive maximum."""
_PUBLISH_QOS1, _PUBACK, _CONNACK = 0x32, 0x40, 0x20
_CONTENT_TYPE, _USER_PROPERTY = 0x03, 0x26


def publish_packet(topic: str, payload: bytes, content_type: str, sequence: int, mid: int) -> bytes:
    """One PUBLISH with content type and the user property `sequence` (MQTT 5, section 3.3)."""
    properties = (
        bytes([_CONTENT_TYPE])
        + _text(content_type)
        + bytes([_USER_PROPERTY])
        + _text("sequence")
        + _text(str(sequence))
    )
    body = _text(topic) + struct.pack(">H", mid) + _length(len(properties)) + properties + payload
    return bytes([_PUBLISH_QOS1]) + _length(len(body)) + body


def send_packets(packets: Sequence[bytes], port: int, timeout_s: float = 30.0) -> None:
    """
    Send all packets in order; returns when the broker has acknowledged every one.

    Raises:
        BenchmarkError: the broker refused one, or fell silent.
    """
    connect = b"\x00\x04MQTT\x05\x02\x00\x3c\x00" + _text("benchmark-sender")
    with socket.create_connection((HOST, port), timeout_s) as link, link.makefile("rb") as answers:
        # Without it the end of each group waits 40 ms for an acknowledgement of TCP.
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        link.sendall(b"\x10" + _length(len(connect)) + connect)
        kind, body = _packet(answers.read)
        if kind != _CONNACK or body[1]:
            raise BenchmarkError(f"the broker refuses the sender: {body!r}")
        for first in range(0, len(packets), WINDOW):
            group = packets[first : first + WINDOW]
            link.sendall(b"".join(group))
            for _ in group:
                kind, body = _packet(answers.read)
                if kind != _PUBACK or (len(body) > 2 and body[2]):
                    raise BenchmarkError(f"the broker did not take a message: {body!r}")
        link.sendall(b"\xe0\x00")


def packets_of(messages: Iterable[tuple[str, bytes, str, int]]) -> list[bytes]:
    """Packets of topic, payload, content type and sequence, with packet ids that go round."""
    return [
        publish_packet(*message, mid=number % 65_535 + 1) for number, message in enumerate(messages)
    ]


def _packet(read: Callable[[int], bytes]) -> tuple[int, bytes]:
    head = read(2)
    if len(head) < 2:
        raise BenchmarkError("the broker closed the connection of the sender")
    # Answers are short: their length is one byte.
    return head[0], read(head[1])


def _text(text: str) -> bytes:
    encoded = text.encode()
    return struct.pack(">H", len(encoded)) + encoded


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)
