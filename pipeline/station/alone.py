"""
Telling without a worker: what the supervisor says when it cannot keep one running.

There is no journal and no outbox here; each delivery is tried once, and the log always gets it.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping

from pipeline.errors import SpanwardenError, StationError
from pipeline.notify.compose import people_told
from pipeline.notify.escalate import personal_deliveries
from pipeline.site.models import Site
from pipeline.station.layout import layout_of, structure_of
from pipeline.station.sending import deliveries_of
from pipeline.store.ledger import Notice, OutboxItem

log = logging.getLogger("spanwarden.supervisor")

US = 1_000_000


def tell_alone(site: Site, structure_id: str, text: str, environ: Mapping[str, str]) -> int:
    """
    Tell everybody whom the station rule names, by each of their deliveries but MQTT.

    Returns:
        how many notices were accepted; failures are logged.
    """
    structure = structure_of(site, structure_id)
    rule = next((r.id for r in structure.rules if r.kind == "station"), "")
    now_us = time.time_ns() // 1000
    deliveries = {
        delivery.name: delivery
        for delivery in deliveries_of(site, layout_of(site, structure_id), _no_broker, environ)
        if delivery.name != "mqtt"
    }
    log.critical("station cannot run", extra={"structure": structure_id, "text": text})
    told = 0
    for person in people_told(rule, structure, site):
        for name in personal_deliveries(person):
            if name not in deliveries:
                continue
            notice = Notice(
                delivery=name,
                recipient=person.id,
                subject=f"[CRITICAL] {structure.name}: the station does not run",
                body=text,
                priority="critical",
                alarm=f"{rule}.worker_down",
            )
            item = OutboxItem(0, notice, now_us, 0, now_us, "queued", "")
            try:
                deliveries[name].deliver(item, now_us)
                told += 1
            except SpanwardenError as error:  # also a secret that cannot be read
                log.error("notice not delivered", extra={"reason": str(error)})
    return told


def _no_broker(topic: str, payload: str, retain: bool, expiry_s: int) -> bool:
    raise StationError(f"no connection to publish {topic}: the worker is not running")
