"""
What `spanwarden zero` refuses before it looks at a reading: who, which gauge, which window.
"""

from __future__ import annotations

from pipeline.cli.options import local_time
from pipeline.derive.gauges import NEVER, microseconds
from pipeline.derive.plan import compile_plan
from pipeline.errors import ConfigError, Mistake
from pipeline.site.located import did_you_mean, quoted
from pipeline.site.models import Person, Placement, Site, Structure
from pipeline.station.layout import structure_of


def refuse(option: str, found: str, expected: str, remedy: str) -> ConfigError:
    """One thing about the command line that cannot be."""
    return ConfigError((Mistake("command line", option, found, expected, remedy),))


def engineer(site: Site, who: str) -> Person:
    """
    The person of that id, who must be an engineer.

    Raises:
        ConfigError: nobody of the site, or without the role.
    """
    engineers = quoted(p.id for p in site.people if "engineer" in p.roles) or "nobody yet"
    expected = f"the id of a person with the role engineer: {engineers}"
    for person in site.people:
        if person.id != who:
            continue
        if "engineer" in person.roles:
            return person
        found = f'"{who}", whose roles are {", ".join(person.roles)}'
        remedy = "A zero moves every later strain: let an engineer state it."
        raise refuse("--by", found, expected, remedy)
    raise refuse("--by", f'"{who}"', expected, did_you_mean(who, (p.id for p in site.people)))


def installed(
    site: Site, structure_id: str | None, serial: str, start_us: int, end_us: int
) -> tuple[Structure, Placement]:
    """
    Where a strain gauge is installed all the window, under one configuration.

    Raises:
        ConfigError: no such gauge, no strain gauge, or a window that is empty, reaches beyond its
            placement, or has a change of the calibration or the companion within.
        StationError: no such structure.
    """
    if end_us <= start_us:
        expected = "a time after --from"
        raise refuse("--to", "a time that is not after --from", expected, "Mend one of them.")
    structures = site.structures if structure_id is None else (structure_of(site, structure_id),)
    found = [(s, p) for s in structures for p in s.placements if p.serial == serial]
    if not found:
        known = [p.serial for s in structures for p in s.placements]
        raise refuse("GAUGE", f'"{serial}"', "a serial of gauges.csv", did_you_mean(serial, known))
    for structure, placement in found:
        ends = NEVER if placement.valid_to is None else microseconds(placement.valid_to)
        if microseconds(placement.valid_from) <= start_us and end_us <= ends:
            _check_kind(placement)
            _check_seams(site, structure, placement, start_us, end_us)
            return structure, placement
    spans = "; ".join(_span(site, placement) for _, placement in found)
    window = f"{local_time(start_us, site.timezone)} to {local_time(end_us, site.timezone)}"
    raise refuse(
        "--from and --to",
        f'a window, {window}, that is not within one placement of "{serial}"',
        f"a window within {spans}",
        "Choose one while the gauge was at one point, or mend gauges.csv.",
    )


def _check_kind(placement: Placement) -> None:
    if placement.wiring == "linear":
        raise refuse(
            "GAUGE",
            f'"{placement.serial}", a sensor of wiring linear',
            "a strain gauge",
            "Mend its unstrained value in gauges.csv instead.",
        )


def _check_seams(
    site: Site, structure: Structure, placement: Placement, start_us: int, end_us: int
) -> None:
    """A change of calibration or companion within the window would make two of it."""
    own = {
        microseconds(z.valid_from) for z in structure.zeros if z.serial == placement.serial
    }  # the zeros of the gauge itself give way to this one
    for gauge in compile_plan(structure).gauges:
        if gauge.serial != placement.serial or gauge.point != placement.point:
            continue
        for segment in gauge.segments:
            if start_us < segment.start_us < end_us and segment.start_us not in own:
                at = local_time(segment.start_us, site.timezone)
                raise refuse(
                    "--from and --to",
                    f"a window in which the calibration or the companion changes, at {at}",
                    "a window under one configuration",
                    "End it before that time, or begin it then.",
                )


def _span(site: Site, placement: Placement) -> str:
    start = local_time(microseconds(placement.valid_from), site.timezone)
    if placement.valid_to is None:
        return f"{start} and later (at {placement.point})"
    end = local_time(microseconds(placement.valid_to), site.timezone)
    return f"{start} to {end} (at {placement.point})"
