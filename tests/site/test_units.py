"""
The channel units are names of the SenML registry, and every wiring has its channel kinds.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import get_args

import pytest

from pipeline.site.models import Wiring
from pipeline.site.units import (
    CHANNEL_UNITS,
    HALF_WIRINGS,
    KINDS_OF_WIRING,
    POISSON_WIRINGS,
    QUARTER_WIRINGS,
    RESISTANCE_WIRINGS,
    SEVERAL_ARMS,
    TWO_WIRE_WIRINGS,
    UNIT_OF_KIND,
)

REFERENCE = Path(__file__).parents[3] / "shared" / "reference" / "senml"


def _names(file: str) -> set[str]:
    lines = (REFERENCE / file).read_text(encoding="utf-8").splitlines()
    rows = csv.reader(line for line in lines if not line.startswith("#"))
    return {row[0] for row in rows}


@pytest.mark.skipif(not REFERENCE.is_dir(), reason="the reference tables are not beside this")
def test_every_channel_unit_is_registered() -> None:
    """Each unit is in the tables of RFC 8428 or RFC 8798, so that a node can send it."""
    registered = _names("senml_units.csv") | _names("senml_secondary_units.csv")

    assert registered >= CHANNEL_UNITS
    assert "%" not in CHANNEL_UNITS  # in SenML it is the absolute ratio: a trap


def test_every_wiring_has_kinds_and_one_group() -> None:
    """A wiring added to the models must say here which channels and arms it has."""
    bridges = {wiring for wiring, kinds in KINDS_OF_WIRING.items() if kinds == ("bridge",)}

    assert set(KINDS_OF_WIRING) == set(get_args(Wiring))
    assert bridges == QUARTER_WIRINGS | SEVERAL_ARMS | {"divider"}
    assert set(get_args(Wiring)) - {"linear"} == QUARTER_WIRINGS | SEVERAL_ARMS | RESISTANCE_WIRINGS
    assert not QUARTER_WIRINGS & SEVERAL_ARMS
    assert HALF_WIRINGS < SEVERAL_ARMS
    assert TWO_WIRE_WIRINGS < QUARTER_WIRINGS | RESISTANCE_WIRINGS
    assert {wiring for wiring in get_args(Wiring) if "poisson" in wiring} == POISSON_WIRINGS
    assert set(UNIT_OF_KIND.values()) <= CHANNEL_UNITS
