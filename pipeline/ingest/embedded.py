"""
The embedded broker for trying out: amqtt (MQTT 3.1.1) on loopback, in a thread or a process.

It keeps next to nothing for a consumer that is away and says so each time it starts.
"""

from __future__ import annotations

import argparse
import asyncio
import importlib.util
import logging
import signal
import sys
import threading
from types import TracebackType
from typing import Any

from pipeline.errors import StationError

LOG = logging.getLogger(__name__)

HOST = "127.0.0.1"
CAUTION = (
    "The embedded broker is for trying out only: it keeps next to nothing for a consumer that is "
    "away, never sends an unacknowledged message again, and forgets all at its end. Use Mosquitto "
    "with ops/mosquitto.conf beside a structure."
)

_CONFIG_PLUGINS: dict[str, dict[str, bool]] = {
    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
}


class EmbeddedBroker:
    """
    The broker in a thread of its own; a context manager, or `start` and `stop`.

    It listens on 127.0.0.1 only, takes anybody, and speaks MQTT 3.1.1: a client must be
    configured with `protocol = "3.1.1"`.

    Raises:
        StationError: amqtt is not installed, the port is taken, or the broker does not start
            or stop within `timeout_s`.
    """

    def __init__(self, port: int = 1883, timeout_s: float = 10.0) -> None:
        self.port = port
        self._timeout_s = timeout_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._started = threading.Event()
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the broker; returns when it accepts connections."""
        _require_amqtt()
        LOG.warning("embedded_broker_starting port=%d caution=%s", self.port, CAUTION)
        self._started.clear()
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._thread.start()
        if not self._started.wait(self._timeout_s):
            raise StationError(
                f"the embedded broker did not start on {HOST}:{self.port} within "
                f"{self._timeout_s:g} s. Try again with another port."
            )
        if self._fault is not None:
            self._thread.join(self._timeout_s)
            raise StationError(
                f"the embedded broker cannot listen on {HOST}:{self.port}: {self._fault}. "
                "Another program may hold the port: choose another one with --port."
            ) from self._fault

    def stop(self) -> None:
        """Stop the broker and wait for its thread; does nothing when it is not running."""
        if self._thread is None or not self._thread.is_alive():
            return
        if self._loop is not None and self._end is not None:
            self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(self._timeout_s)
        if self._thread.is_alive():
            raise StationError(
                f"the embedded broker did not stop within {self._timeout_s:g} s; end its process."
            )

    def __enter__(self) -> EmbeddedBroker:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        from amqtt.errors import AMQTTError, BrokerError

        # Each lost connection is a warning with a stack there; a try-out needs errors only.
        logging.getLogger("amqtt").setLevel(logging.ERROR)
        logging.getLogger("transitions").setLevel(logging.ERROR)
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        broker = _broker_class()(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{self.port}"}},
                "plugins": _CONFIG_PLUGINS,
            }
        )
        try:
            await broker.start()
        except (AMQTTError, BrokerError, OSError) as error:
            self._fault = error
            self._started.set()
            return
        self._started.set()
        await self._end.wait()
        await broker.shutdown()


def main(arguments: list[str] | None = None) -> int:
    """Run the broker until SIGTERM or SIGINT; returns 0, or 3 when it cannot start."""
    parser = argparse.ArgumentParser(
        prog="python -m pipeline.ingest.embedded",
        description=f"MQTT 3.1.1 broker on {HOST}. {CAUTION}",
    )
    parser.add_argument("--port", type=int, default=1883, help="TCP port on loopback")
    port: int = parser.parse_args(arguments).port
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(message)s")
    end = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: end.set())
    try:
        with EmbeddedBroker(port):
            LOG.info("embedded_broker_ready host=%s port=%d", HOST, port)
            end.wait()
    except StationError as error:
        LOG.error("embedded_broker_failed reason=%s", error)
        return StationError.exit_code
    return 0


def _broker_class() -> Any:
    """The broker, made to close each connection at its end: amqtt leaves some to the collector."""
    from amqtt.broker import Broker

    class ClosingBroker(Broker):  # type: ignore[misc]
        async def stream_connected(
            self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
        ) -> None:
            try:
                await super().stream_connected(reader, writer, listener_name)
            except OSError as error:  # the client went away while it was refused
                LOG.debug("embedded_broker_client_lost error=%s", error)
            finally:
                writer.close()

    return ClosingBroker


def _require_amqtt() -> None:
    if importlib.util.find_spec("amqtt") is None:
        raise StationError(
            "the embedded broker needs the package amqtt, which is not installed. Install it with "
            '`pip install "spanwarden[try]"`, or use Mosquitto with ops/mosquitto.conf.'
        )


if __name__ == "__main__":
    raise SystemExit(main())
