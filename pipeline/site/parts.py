"""
All that the files of a site hold, each entry with its place, before anything is cross-checked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import Mistake
from pipeline.site import documents
from pipeline.site.derived_points import Rosette, Section
from pipeline.site.files import CALIBRATIONS, ZEROS
from pipeline.site.gathering import Gathering
from pipeline.site.located import Entry, Located
from pipeline.site.models import (
    Broker,
    Calibration,
    Channel,
    Mail,
    Model,
    Node,
    Person,
    Placement,
    Point,
    Rule,
    Storage,
    Zero,
)

SITE_TABLES = ("site", "broker", "storage", "mail", "structure", "node", "person")


class SiteTable(Model):
    """The table [site] of site.toml."""

    name: str
    timezone: str


class StructureTable(Model):
    """A table [[structure]] of site.toml; what is on it stands in the other files."""

    id: str
    name: str
    material: str
    expansion_1e6_per_k: float


@dataclass(frozen=True)
class Parts:
    """Valid entries of every file, and the names of those that are not valid."""

    folder: Path
    site: Located[SiteTable] | None
    broker: Located[Broker] | None
    storage: Located[Storage] | None
    mail: Located[Mail] | None
    structures: tuple[Located[StructureTable], ...]
    nodes: tuple[Located[Node], ...]
    people: tuple[Located[Person], ...]
    points: tuple[Located[Point], ...]
    channels: tuple[Located[Channel], ...]
    placements: tuple[Located[Placement], ...]
    calibrations: tuple[Located[Calibration], ...]
    rules: tuple[Located[Rule], ...]
    zeros: tuple[Located[Zero], ...]
    rosettes: tuple[Located[Rosette], ...]
    sections: tuple[Located[Section], ...]
    names: Mapping[str, frozenset[str]]
    """By kind (`node`, `point`, `gauge`, …): every name that stands in a file, valid or not."""
    incomplete: frozenset[str]
    """Kinds of which an entry was refused: nothing may be called missing there."""
    nameless: frozenset[str]
    """Kinds of which names may be lost: no reference to them may be called unknown."""

    def path(self, file: str) -> str:
        """A file of the site as messages show it."""
        return str(self.folder / file)

    def is_unknown(self, kind: str, name: str) -> bool:
        """Whether a reference to this name leads nowhere, as far as the files could be read."""
        return kind not in self.nameless and name not in self.names[kind]


def read_parts(folder: Path, files: Mapping[str, str]) -> tuple[Parts, list[Mistake]]:
    """
    What `files` (texts by name, of `pipeline.site.files.read_files`) hold, and every mistake.

    A file that is not in `files` leaves its kind incomplete; that it is missing was told before.
    """
    gathering = Gathering(folder, files)
    site = gathering.toml("site.toml", SITE_TABLES)
    rules = _with_micro(gathering.toml("rules.toml", ("rule",)))
    parts = Parts(
        folder=folder,
        site=gathering.table(SiteTable, site, "site", required=True),
        broker=gathering.table(Broker, site, "broker", required=True),
        storage=gathering.table(Storage, site, "storage", required=True),
        mail=gathering.table(Mail, site, "mail", required=False),
        structures=gathering.tables(StructureTable, site, "site.toml", "structure"),
        nodes=gathering.tables(Node, site, "site.toml", "node"),
        people=gathering.tables(Person, site, "site.toml", "person"),
        points=gathering.csv(Point, "points.csv", "point"),
        channels=gathering.csv(Channel, "channels.csv", "channel"),
        placements=gathering.csv(Placement, "gauges.csv", "gauge", "serial"),
        calibrations=_calibrations(gathering),
        rules=gathering.tables(Rule, rules, "rules.toml", "rule"),
        zeros=_zeros(gathering),
        rosettes=gathering.optional_csv(Rosette, "rosettes.csv", "rosette"),
        sections=gathering.optional_csv(Section, "sections.csv", "section"),
        # Last: what stands above fills them.
        names=gathering.names,
        incomplete=frozenset(gathering.incomplete),
        nameless=frozenset(gathering.nameless),
    )
    return parts, gathering.mistakes


def _calibrations(gathering: Gathering) -> tuple[Located[Calibration], ...]:
    entries = []
    files = [name for name in gathering.files if name.startswith(f"{CALIBRATIONS}/")]
    for name in files:
        document = gathering.toml(name)
        if document is not None:
            label = document.get("id")
            place = f'calibration "{label}"' if isinstance(label, str) else ""
            entries.append(Entry(document, gathering.path(name), place))
    if len(entries) < len(files) or not files:
        gathering.lost("calibration")
    return gathering.models(Calibration, "calibration", entries)


def _zeros(gathering: Gathering) -> tuple[Located[Zero], ...]:
    entries: list[Entry] = []
    if ZEROS in gathering.files:
        text, path = gathering.files[ZEROS], gathering.path(ZEROS)
        entries, told = documents.parse_json_lines(text, path, "zero")
        gathering.mistakes.extend(told)
    return gathering.models(Zero, "zero", entries, "serial")


def _with_micro(rules: dict[str, Any] | None) -> dict[str, Any] | None:
    """Units of rules with the micro sign where a Greek mu, which looks the same, was typed."""
    if rules is None or not isinstance(rules.get("rule"), list):
        return rules
    mended = [
        {**rule, "unit": rule["unit"].replace("\u03bc", "\u00b5")}
        if isinstance(rule, dict) and isinstance(rule.get("unit"), str)
        else rule
        for rule in rules["rule"]
    ]
    return {**rules, "rule": mended}
