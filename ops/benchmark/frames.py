"""
MQTT 5 PUBLISH packets at QoS 1, made once and sent as fast as the broker acknowledges.

A client library would take longer to publish a backlog than the station takes to work it off.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterable, Sequence

from surroundings import HOST, BenchmarkError

GROUP = 900
"""Packets at once; twice as many are below the broker's receive maximum."""
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
        link.sendall(b"\x10" + _length(len(connect)) + connect)
        kind, body = _packet(answers.read)
        if kind != _CONNACK or body[1]:
            raise BenchmarkError(f"the broker refuses the sender: {body!r}")
        # Two groups are always on the way: one alone ends in a delayed TCP acknowledgement.
        groups = [packets[at : at + GROUP] for at in range(0, len(packets), GROUP)]
        for number, group in enumerate(groups):
            link.sendall(b"".join(group))
            if number:
                _take_answers(answers.read, len(groups[number - 1]))
        _take_answers(answers.read, len(groups[-1]))
        link.sendall(b"\xe0\x00")


def packets_of(messages: Iterable[tuple[str, bytes, str, int]]) -> list[bytes]:
    """Packets of topic, payload, content type and sequence, with packet ids that go round."""
    return [
        publish_packet(*message, mid=number % 65_535 + 1) for number, message in enumerate(messages)
    ]


def _take_answers(read: Callable[[int], bytes], number: int) -> None:
    for _ in range(number):
        kind, body = _packet(read)
        if kind != _PUBACK or (len(body) > 2 and body[2]):
            raise BenchmarkError(f"the broker did not take a message: {body!r}")


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
