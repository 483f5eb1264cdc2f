"""
An invented deck with its people and rules, and the transitions and notices that tests tell.

Quillmere deck: point D3 under girder G2. Wynn Tarrant is told by mail and log, Orla Pell by mail,
Kit Dunmore is an operator whom no rule tells, Vera Ashby only looks.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from pipeline.alarms.transition import Transition
from pipeline.site.models import Broker, Mail, Person, Point, Rule, Site, Storage, Structure
from pipeline.store.ledger import Notice, OutboxItem

SECOND = 1_000_000
HOUR = 3600 * SECOND


def at(text: str) -> int:
    """[µs since 1970 UTC] of an ISO 8601 time with its offset."""
    return int(datetime.fromisoformat(text).timestamp()) * SECOND


NOW = at("2027-07-01T12:03:05+00:00")

WYNN = Person(
    id="w.tarrant",
    name="Wynn Tarrant",
    email="wynn@quillmere.example",
    roles=("engineer",),
    deliveries=("mail", "log"),
)
ORLA = Person(
    id="o.pell",
    name="Orla Pell",
    email="orla@quillmere.example",
    roles=("operator",),
    deliveries=("mail",),
)
KIT = Person(
    id="k.dunmore",
    name="Kit Dunmore",
    email="kit@quillmere.example",
    roles=("operator",),
    deliveries=("log", "mail"),
)
VERA = Person(id="v.ashby", name="Vera Ashby", roles=("viewer",), deliveries=("log",))
PEOPLE = (WYNN, ORLA, KIT, VERA)
ADDRESSES = {person.id: person.email for person in PEOPLE if person.email}

D3 = Point(
    id="D3",
    structure="quillmere",
    member="girder G2",
    x_m=12.5,
    y_m=0.0,
    z_m=-0.85,
    direction="along the girder",
)
HIGH = Rule(
    id="deck-high",
    kind="level",
    structure="quillmere",
    high=400.0,
    low=-400.0,
    unit="µm/m",
    priority="high",
    basis="calculation Q-7, W. Tarrant",
    cause="overload or loss of a bearing",
    consequence="yield of the bottom flange",
    response="close the deck and inspect girder G2",
    respond_within_min=30.0,
    tell=("w.tarrant", "o.pell"),
)
QUIET = HIGH.model_copy(
    update={"id": "deck-quiet", "kind": "silent", "high": None, "low": None, "after_s": 600.0}
)
STATION = HIGH.model_copy(update={"id": "station", "kind": "station", "high": None, "low": None})


def structure(**changes: Any) -> Structure:
    """The deck, with other fields where a test needs them."""
    deck = Structure(
        id="quillmere",
        name="Quillmere deck",
        material="steel",
        expansion_1e6_per_k=12.0,
        points=(D3,),
        rules=(HIGH, QUIET, STATION),
    )
    return deck.model_copy(update=changes)


def site(**changes: Any) -> Site:
    """The site of the deck, with other fields where a test needs them."""
    whole = Site(
        name="Quillmere",
        timezone="Europe/Oslo",
        broker=Broker(host="127.0.0.1"),
        storage=Storage(),
        people=PEOPLE,
        structures=(structure(),),
        folder="/srv/quillmere",
        sha256="",
    )
    return whole.model_copy(update=changes)


def mail(port: int = 25, **changes: Any) -> Mail:
    """A plain mail server on loopback."""
    plain = Mail(
        host="127.0.0.1",
        port=port,
        sender="station@quillmere.example",
        security="none",
        timeout_s=5.0,
    )
    return plain.model_copy(update=changes)


def transition(**changes: Any) -> Transition:
    """D3 rises over its high limit, value and all; with other fields where a test needs them."""
    raised = Transition(
        alarm="deck-high.D3",
        rule="deck-high",
        point="D3",
        event="occurred",
        before="normal",
        after="unacknowledged",
        occurred_us=NOW,
        detected_us=NOW,
        value=412.3,
        u=9.0,
        limit=400.0,
        unit="µm/m",
        crossing="value",
        detail="",
        by="",
        comment="",
        priority="high",
        retrospective=False,
        late=False,
    )
    return replace(raised, **changes)


def notice(**changes: Any) -> Notice:
    """A mail to Wynn about D3, with other fields where a test needs them."""
    mailed = Notice(
        delivery="mail",
        recipient="w.tarrant",
        subject="[HIGH] Quillmere deck: strain above limit at D3 (deck-high.D3)",
        body="strain +412 ± 18 µm/m\n",
        priority="high",
        alarm="deck-high.D3",
        facts={"structure": "quillmere", "tell": ["w.tarrant", "o.pell"]},
    )
    return replace(mailed, **changes)


def retained(**changes: Any) -> Notice:
    """A retained MQTT notice about D3, an hour to live."""
    return notice(
        delivery="mqtt",
        recipient="",
        topic="spanwarden/quillmere/alarms/deck-high.D3",
        body='{"state":"unacknowledged"}',
        expires_us=NOW + HOUR,
        **changes,
    )


def item(told: Notice, number: int = 7, **changes: Any) -> OutboxItem:
    """`told` as it stands in the outbox since `NOW`, untried."""
    return replace(OutboxItem(number, told, NOW, 0, NOW, "queued", ""), **changes)
