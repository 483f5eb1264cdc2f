"""
`spanwarden zero`: a person states at which strain a member was; the gauge's offset follows.
"""

from __future__ import annotations

import argparse
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from pipeline.blocks import Readings, concat_readings
from pipeline.cli.options import US, add_site, add_structure, local_time, site_of, table, utc_us
from pipeline.cli.zero_check import engineer, installed, refuse
from pipeline.derive.state import ChainState
from pipeline.derive.steadiness import Criterion, criteria_of
from pipeline.derive.zeroing import Solution, Statement, solve_zero
from pipeline.site.models import Placement, Site, Structure, Zero
from pipeline.site.zeros import append_zero
from pipeline.station.layout import layout_of
from pipeline.store.archive import Archive
from pipeline.store.edges import entering_state
from pipeline.store.query import windows_between

EXAMPLE = """example:
  spanwarden zero FO14-101 --from 2026-06-10T03:00Z --to 2026-06-10T03:50Z --strain 0 \\
      --by ines-oakhollow --reason "crossing closed, deck unloaded; dead load is the reference"

The strain is the mechanical one, tension positive. The zero holds from the start of the window
and never changes what came before it. One line is added to zeros.jsonl; no line is ever changed.
exit code 0: the zero was written, or would be; 1: the window may not serve for a zero."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DIGITS = 10
_WIDTH = 98


@dataclass(frozen=True)
class Asked:
    """One statement with all that it is about."""

    site: Site
    structure: Structure
    placement: Placement
    statement: Statement


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Gauge, window, strain, who and why."""
    parser.add_argument("gauge", metavar="GAUGE", help="serial of the gauge")
    add_site(parser)
    add_structure(parser)
    needed = parser.add_argument_group("the statement")
    needed.add_argument("--from", dest="start", type=utc_us, required=True, metavar="T")
    needed.add_argument("--to", dest="end", type=utc_us, required=True, metavar="T")
    needed.add_argument("--strain", type=_finite, required=True, metavar="UM_M")
    needed.add_argument("--by", required=True, metavar="PERSON", help="id of an engineer")
    needed.add_argument("--reason", required=True, help="on what ground the strain is known")
    parser.add_argument(
        "--strain-u",
        type=_finite,
        default=0.0,
        metavar="UM_M",
        help="standard uncertainty of the stated strain (default 0)",
    )
    parser.add_argument(
        "--temperature",
        type=_finite,
        metavar="C",
        help="T_zero, from which total strain counts the expansion (default: mean of the window)",
    )
    parser.add_argument(
        "--accept-unsteady", metavar="WHY", help="take it although a criterion does not hold"
    )
    parser.add_argument("--dry-run", action="store_true", help="write nothing, only say")


def run(options: argparse.Namespace) -> int:
    """Solve, judge, write and tell; 1 when the window may not serve."""
    asked = _asked(options)
    readings, state, newest_us = _raw(asked)
    solution = solve_zero(asked.structure, readings, state, asked.statement)
    if solution is None:
        print(_nothing(asked, newest_us))
        return 1
    if solution.temperature_c is None:
        raise refuse(
            "--temperature",
            f'nothing, and gauge "{asked.placement.serial}" has no thermometer in the window',
            "T_zero, from which total strain counts the expansion",
            "Say how warm the member was, for example --temperature 9.0.",
        )
    channel = next(c for c in asked.structure.channels if c.id == asked.placement.channel)
    span_us = asked.statement.end_us - asked.statement.start_us
    expected = int(span_us / US / channel.interval_s)
    criteria = criteria_of(solution.window, expected, options.strain_u)
    print(_judgement(asked, criteria))
    failed = [one for one in criteria if not one.holds]
    if not _may_stand(failed, options.accept_unsteady):
        print(_refusal(asked, failed, newest_us))
        return 1
    zero = _zero(options, solution, failed)
    print(_change(asked, solution, zero))
    if options.dry_run:
        print("\nNothing was written (--dry-run).")
        return 0
    path = append_zero(Path(asked.site.folder), zero)
    print(f"\nWritten to {path}.\n{_next(options, asked)}")
    return 0


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a finite number")
    return value


def _asked(options: argparse.Namespace) -> Asked:
    site = site_of(options)
    structure, placement = installed(
        site, options.structure, options.gauge, options.start, options.end
    )
    engineer(site, options.by)
    if not options.reason.strip():
        raise refuse("--reason", "an empty text", "on what ground the strain is known", "Say it.")
    if options.accept_unsteady is not None and not options.accept_unsteady.strip():
        raise refuse("--accept-unsteady", "an empty text", "why it may serve", "Say it.")
    if options.strain_u < 0.0:
        raise refuse(
            "--strain-u", f"{options.strain_u:g}", "0 or more", "Give a standard uncertainty."
        )
    statement = Statement(
        serial=placement.serial,
        start_us=options.start,
        end_us=options.end,
        strain=options.strain * 1e-6,
        strain_u=options.strain_u * 1e-6,
        temperature_c=options.temperature,
    )
    return Asked(site, structure, placement, statement)


def _raw(asked: Asked) -> tuple[Readings, ChainState, int | None]:
    """Raw readings from a window's edge on, the chain's state there, the gauge's newest time."""
    site, structure, statement = asked.site, asked.structure, asked.statement
    archive = Archive(layout_of(site, structure.id).data, structure.id, site.storage.window_h)
    windows = list(windows_between(archive, "raw", statement.start_us, statement.end_us))
    if not windows:
        return Readings.empty(), ChainState(), None
    text = entering_state(archive, windows[0])
    state = ChainState() if text is None else ChainState.from_json(text)
    readings = concat_readings(archive.read_raw(window) for window in windows)
    codes, names = readings.channel_codes()
    mine = np.array([name == asked.placement.channel for name in names], bool)[codes]
    times = readings.column("time").astype(np.int64)[mine]
    return readings, state, int(times.max()) if len(times) else None


def _nothing(asked: Asked, newest_us: int | None) -> str:
    zone = asked.site.timezone
    newest = "none on these days"
    if newest_us is not None:
        newest = f"the newest on these days is of {local_time(newest_us, zone)}"
    return _folded(
        f'No zero: the archive has no reading of gauge "{asked.placement.serial}" (channel '
        f'"{asked.placement.channel}") in the window that can be used; {newest}. Choose another '
        f"window, or wait until the station has sealed it (every "
        f"{asked.site.storage.seal_every_min:g} minutes)."
    )


def _judgement(asked: Asked, criteria: Sequence[Criterion]) -> str:
    statement, zone = asked.statement, asked.site.timezone
    rows = [[c.name, c.found, c.limit, "holds" if c.holds else "DOES NOT HOLD"] for c in criteria]
    return (
        f"Gauge {asked.placement.serial} at point {asked.placement.point}, "
        f"{local_time(statement.start_us, zone)} to {local_time(statement.end_us, zone)}\n\n"
        + table(["steadiness of the window", "found", "allowed", ""], rows)
    )


def _may_stand(failed: Sequence[Criterion], accepted: str | None) -> bool:
    return not failed or (accepted is not None and not any(one.is_absolute for one in failed))


def _refusal(asked: Asked, failed: Sequence[Criterion], newest_us: int | None) -> str:
    lines = ["", "No zero was written:"]
    for one in failed:
        told = f"{one.name}: found {one.found}; expected {one.limit}. {one.remedy}"
        lines.append(_folded(told, "  "))
    if newest_us is not None and newest_us + US < asked.statement.end_us:
        zone = asked.site.timezone
        told = (
            f"The newest sealed reading of the gauge is of {local_time(newest_us, zone)}: the "
            "window may not be sealed to its end yet."
        )
        lines.append(_folded(told, "  "))
    if not any(one.is_absolute for one in failed):
        told = (
            "An engineer who knows better may say so, with the reason, which is kept with the "
            'zero: --accept-unsteady "…".'
        )
        lines.append(_folded(told))
    return "\n".join(lines)


def _folded(text: str, indent: str = "") -> str:
    """A paragraph; an indented one hangs."""
    rest = indent * 2
    return textwrap.fill(
        text, _WIDTH, initial_indent=indent, subsequent_indent=rest, break_on_hyphens=False
    )


def _zero(options: argparse.Namespace, solution: Solution, failed: Sequence[Criterion]) -> Zero:
    reason = options.reason.strip()
    if failed:
        what = "; ".join(f"{one.name} {one.found}, allowed {one.limit}" for one in failed)
        reason += f" [accepted although unsteady ({what}): {options.accept_unsteady.strip()}]"
    moisture, moisture_u = solution.moisture or (None, 0.0)
    return Zero(
        serial=options.gauge,
        valid_from=_EPOCH + timedelta(microseconds=options.start),
        recorded=datetime.now(UTC).replace(microsecond=0),
        offset_delta=_rounded(solution.offset),
        offset_delta_u=_rounded(solution.offset_u),
        known_strain_um_m=options.strain,
        temperature_c=round(solution.temperature_c or 0.0, 3),
        film_moisture=None if moisture is None else _rounded(moisture),
        film_moisture_u=_rounded(moisture_u),
        by=options.by,
        reason=reason,
    )


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _change(asked: Asked, solution: Solution, zero: Zero) -> str:
    """Old zero and new one in µm/m, what each part of the uncertainty is, and when it holds."""
    zone, per = asked.site.timezone, 1e6 / solution.tangent
    history = sorted(
        (z for z in asked.structure.zeros if z.serial == zero.serial),
        key=lambda z: (z.valid_from, z.recorded),
    )
    since = asked.placement.valid_from
    before = [z for z in history if since <= z.valid_from <= zero.valid_from]
    later = [z for z in history if z.valid_from > zero.valid_from]
    rows = [["no zero until now: relative only", "–", "–", "–", "–", ""]]
    if before:
        rows = [["zero until now", *_offset(before[-1], per), before[-1].by]]
    rows.append(["this zero", *_offset(zero, per), zero.by])
    head = ["", "offset in δ", "µm/m", "u, µm/m", "T_zero, °C", "by"]
    moved = ((before[-1].offset_delta if before else 0.0) - zero.offset_delta) * per
    known = {name: u * abs(per) for name, u in solution.parts.items() if u * abs(per) >= 5e-3}
    parts = ", ".join(f"{name} {u:.2f}" for name, u in known.items())
    until = ""
    if later:
        until = f" until the zero of {local_time(_us(later[0].valid_from), zone)}"
    told = (
        f"In force from {local_time(_us(zero.valid_from), zone)}, the start of the window{until}. "
        f"Strains from then on move by about {moved:+.2f} µm/m near {zero.known_strain_um_m:g} "
        "µm/m; nothing before it changes."
    )
    exact = ""
    if not solution.parts.get("known_strain"):
        exact = " The stated strain counts as known exactly: if it is not, say so with --strain-u."
    uncertain = _folded(f"u of the offset in µm/m: {parts}.{exact}")
    return f"\n{table(head, rows, right=range(1, 5))}\n\n{uncertain}\n{_folded(told)}"


def _offset(zero: Zero, per: float) -> list[str]:
    return [
        f"{zero.offset_delta:+.7f}",
        f"{zero.offset_delta * per:+.2f}",
        f"{zero.offset_delta_u * abs(per):.2f}",
        f"{zero.temperature_c:.1f}",
    ]


def _us(when: datetime) -> int:
    return (when - _EPOCH) // timedelta(microseconds=1)


def _next(options: argparse.Namespace, asked: Asked) -> str:
    site = options.site or asked.site.folder
    start = _EPOCH + timedelta(microseconds=options.start)
    text = start.isoformat().replace("+00:00", "Z")
    return (
        "What follows is not done by itself:\n"
        "  1. restart the running station of the structure, which holds the old zero until then;\n"
        "  2. make the history since then again:\n"
        f"     spanwarden rebuild --site {site} --structure {asked.structure.id} --from {text}"
    )
