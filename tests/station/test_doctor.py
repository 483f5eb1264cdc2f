"""
`doctor` finds what is wrong with the box, and says what to do about each finding.
"""

import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.site.models import Mail, Site
from pipeline.station.doctor import Finding, examine
from tests.brokers import OPS_CONF, free_port, mosquitto
from tests.replaying import US, Replay, copied_site
from tests.stations import use_broker

pytestmark = [pytest.mark.slow, pytest.mark.broker]


def examined(site: Site, *, with_canary: bool = False) -> dict[str, list[Finding]]:
    """Findings about the first structure, by what they are about."""
    found: dict[str, list[Finding]] = {}
    for one in examine(site, site.structures[:1], os.environ, with_canary=with_canary):
        found.setdefault(one.what, []).append(one)
    return found


def edit_journal(path: Path) -> None:
    """What somebody with the file and a mind to it could do: the guards are taken away first."""
    with closing(sqlite3.connect(path)) as edited, edited:
        triggers = edited.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            edited.execute(f"DROP TRIGGER {name}")
        edited.execute("UPDATE journal SET facts = '{}' WHERE number = 1")


def test_every_finding_that_is_not_good_has_a_remedy(tmp_path: Path) -> None:
    """Nobody is left with a fault and no idea what to do."""
    site = copied_site(tmp_path, minimum_free_mb=1e12)
    mail = Mail(host="127.0.0.1", port=free_port(), sender="s@example.org", security="none")
    site = use_broker(Path(site.folder), free_port()).model_copy(update={"mail": mail})
    found = [one for some in examined(site).values() for one in some]

    assert {one.what for one in found if one.verdict == "wrong"} == {"disk", "broker", "mail"}
    assert all(one.remedy for one in found if one.verdict != "good")
    assert all(not one.remedy for one in found if one.verdict == "good")


@pytest.mark.parametrize(("tuned", "verdict"), [(True, "good"), (False, "wrong")])
def test_the_canary_tells_a_broker_that_keeps_from_one_that_does_not(
    tmp_path: Path, tuned: bool, verdict: str
) -> None:
    """A broker that drops what it acknowledged is found out, the tuned one passes."""
    copied_site(tmp_path)
    with mosquitto(tmp_path / "broker", conf=OPS_CONF if tuned else None) as broker:
        site = use_broker(tmp_path / "quillmere", broker.port)
        found = examined(site, with_canary=True)["broker"]

    assert {one.verdict for one in found} - {"good"} == ({verdict} - {"good"})
    assert tuned or "does not keep messages" in found[-1].found


def test_a_station_that_ran_and_does_not_run_is_wrong(tmp_path: Path) -> None:
    """A stopped station, an edited journal and refused messages are each told."""
    site = use_broker(Path(copied_site(tmp_path).folder), free_port())
    structure = site.structures[0].id
    replay = Replay(site, structure)
    replay.tick(1_790_000_000 * US, {"disk_low": "3 MB free"})
    replay.close()
    edit_journal(replay.layout.ledger)
    found = examined(site)[f"station of {structure}"]

    texts = {one.found: one for one in found}
    assert texts["does not run: nothing is watched"].verdict == "wrong"
    assert texts["journal broken at entry 1"].verdict == "wrong"


def test_a_finding_is_plain() -> None:
    """Findings compare by value, so that a caller may count and filter them."""
    one = Finding("good", "disk", "fine")

    assert replace(one) == one
