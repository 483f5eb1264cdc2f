"""
The thread that drains the outbox, and the deliveries of a site.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping

from pipeline.errors import SpanwardenError
from pipeline.notify.delivery import Delivery
from pipeline.notify.log import LogDelivery
from pipeline.notify.mail import MailDelivery
from pipeline.notify.mqtt import MqttDelivery, Publish
from pipeline.notify.outbox import OutboxSender
from pipeline.site.models import Site
from pipeline.site.secrets import secret
from pipeline.station.clock import Clock
from pipeline.station.deed import Deed
from pipeline.station.files import mail_of
from pipeline.station.layout import Layout

log = logging.getLogger("spanwarden.sending")

LOOK_EVERY_S = 2.0


def deliveries_of(
    site: Site, layout: Layout, publish: Publish, environ: Mapping[str, str]
) -> tuple[Delivery, ...]:
    """Log and MQTT always; mail where the site has a mail server."""
    found: list[Delivery] = [LogDelivery(layout.told), MqttDelivery(publish)]
    mail = mail_of(site)
    if mail is not None:
        addresses = {person.id: person.email for person in site.people if person.email}
        name = mail.password_env
        found.append(MailDelivery(mail, addresses, lambda: secret(name, environ) if name else None))
    return tuple(found)


class Sending:
    """
    Drains the outbox in a thread of its own; `wake` after a commit with notices.

    Args:
        sender: the outbox's sender.
        clock: the station's.
        hand_over: takes notices that tell a failed delivery by another way.
    """

    def __init__(
        self, sender: OutboxSender, clock: Clock, hand_over: Callable[[Deed], None]
    ) -> None:
        self._sender = sender
        self._clock = clock
        self._hand_over = hand_over
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="sending", daemon=True)
        self.undeliverable: dict[str, str] = {}

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def wake(self) -> None:
        """Something new waits in the outbox."""
        self._wake.set()

    def stop(self) -> None:
        """End after the try under way; what is unsent stays in the outbox."""
        self._stopping.set()
        self._wake.set()
        self._thread.join(1.0)

    def is_alive(self) -> bool:
        """Whether the thread still works."""
        return self._thread.is_alive()

    def _work(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()
            if self._stopping.is_set():
                return
            try:
                report = self._sender.drain(self._clock.now_us())
            except SpanwardenError as error:
                self.undeliverable = {"outbox": str(error)}
                log.error("outbox not drained", extra={"reason": str(error)})
                continue
            self.undeliverable = dict(report.undeliverable)
            if report.also_tell:
                self._hand_over(Deed(notices=report.also_tell))
            for failure in report.failed:
                log.warning(
                    "notice not delivered",
                    extra={"notice": failure.item.id, "reason": failure.detail},
                )
