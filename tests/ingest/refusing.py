"""
A broker of a few lines that takes every MQTT 5 connection and answers subscriptions as told.

Mosquitto grants a subscription even where its rights let nothing through, so it cannot be used.
"""

from __future__ import annotations

import socket
import threading
from types import TracebackType

CONNACK = bytes.fromhex("2003000000")
CONNECT, SUBSCRIBE, DISCONNECT = 0x10, 0x80, 0xE0


class RefusingBroker:
    """Serves one client at a time; `answer` is the reason code of the next SUBACK."""

    def __init__(self) -> None:
        self.answer = 0x87  # not authorized
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = self._listener.getsockname()[:2]
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> RefusingBroker:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(10)

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client:
                self._converse(client)

    def _converse(self, client: socket.socket) -> None:
        while True:
            first = client.recv(1)
            if not first or first[0] & 0xF0 == DISCONNECT:
                return
            body = self._body(client)
            if first[0] & 0xF0 == CONNECT:
                client.sendall(CONNACK)
            elif first[0] & 0xF0 == SUBSCRIBE:
                client.sendall(bytes([0x90, 4]) + body[:2] + bytes([0, self.answer]))

    @staticmethod
    def _body(client: socket.socket) -> bytes:
        """The rest of a packet; its length is a variable byte integer (MQTT 5, 1.5.5)."""
        length = shift = 0
        while True:
            byte = client.recv(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return client.recv(length, socket.MSG_WAITALL) if length else b""
