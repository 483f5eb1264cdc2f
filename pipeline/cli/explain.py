"""
`spanwarden explain`: the whole chain for one reading, from the instrument to the flag.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from typing import Any

from pipeline.cli.explain_find import Found, Place, found_reading, nearest_times, place_of
from pipeline.cli.explain_origin import (
    calibration_facts,
    configuration_facts,
    raw_facts,
    stored_facts,
    utc_text,
    zero_facts,
)
from pipeline.cli.explain_page import page
from pipeline.cli.options import add_site, add_structure, local_time, site_of, utc_us
from pipeline.derive.explain import account_of

EXAMPLE = """example:
  spanwarden explain qd-g1-s1-bot 2026-06-10T14:03:00+01:00 --site config/quillmere
  spanwarden explain FO14-101 2026-06-10T13:03:00Z --site config/quillmere --json

The point may be named by the serial of its gauge. The values are those of the chain itself, run
up to the reading with the configuration of now, and compared with the row in the archive.
exit code 0: explained; 1: there is no such reading (the nearest ones are named)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Point and time, site, structure."""
    parser.add_argument("point", metavar="POINT", help="id of the point, or serial of its gauge")
    parser.add_argument("time", metavar="TIME", type=utc_us, help="of the reading, with its zone")
    add_site(parser)
    add_structure(parser)
    parser.add_argument("--json", action="store_true", help="for programs")


def run(options: argparse.Namespace) -> int:
    """Print the explanation; 1 when there is no such reading."""
    site = site_of(options)
    place = place_of(site, options.structure, options.point, options.time)
    at_us, near = nearest_times(place, options.time)
    found = None if at_us is None else found_reading(place, at_us)
    if found is None:
        print(_missing(place, options.time, near))
        return 1
    facts = facts_of(found)
    if options.json:
        print(json.dumps(facts, ensure_ascii=False, allow_nan=False))
    else:
        print(page(facts))
    return 0


def facts_of(found: Found) -> dict[str, Any]:
    """Everything that is told of a reading, as plain facts; the text is made of the same."""
    placement, structure = found.place.placement, found.place.structure
    point = next(p for p in structure.points if p.id == placement.point)
    account = asdict(account_of(found.moment))
    row = account["row"] = dict(found.moment.row)
    return {
        **account,
        "structure": {"id": structure.id, "name": structure.name},
        "point": point.model_dump(),
        "timezone": found.place.setup.site.timezone,
        "time": utc_text(found.moment.time_us),
        "gauge": {
            "serial": placement.serial,
            "batch": placement.batch,
            "wiring": placement.wiring,
            "since": utc_text(round(placement.valid_from.timestamp() * 1e6)),
            "unstrained_temperature_c": placement.unstrained_temperature_c,
            "unstrained_humidity_rh": placement.unstrained_humidity_rh,
        },
        "raw": raw_facts(found),
        "calibration": calibration_facts(found),
        "zero": zero_facts(found),
        "configuration": configuration_facts(found),
        "stored": stored_facts(found),
        "flag": row["flag"],
    }


def _missing(place: Place, asked_us: int, near: tuple[int, ...]) -> str:
    zone, placement = place.setup.site.timezone, place.placement
    head = (
        f"No reading of point {placement.point} (gauge {placement.serial}, channel "
        f"{placement.channel}) at {local_time(asked_us, zone)}"
    )
    if not near:
        windows = place.archive.windows()
        span = "The archive is empty."
        if windows:
            end = place.archive.end_of(windows[-1])
            span = f"The archive goes from {utc_text(windows[0])} to {utc_text(end)}."
        return f"{head}, nor within a day of it. {span}"
    named = "\n".join(f"  {utc_text(t)}   {local_time(t, zone)}" for t in near)
    return f"{head}.\nThe nearest ones are of\n{named}"
