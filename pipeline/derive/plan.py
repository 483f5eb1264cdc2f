"""
Compiles what is installed on a structure into the chain's plan, with a seam at every change.

Seams lie at valid_from and valid_to of placements (a companion's too), at valid_from and expiry
of calibrations, and at zeros. Of calibrations with one id the last whose valid_from has come is
in force (of two with the same valid_from the later recorded); before the first one, the first is
used and flagged like an expired one. A zero holds for its serial while it stays at its point.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

from pipeline.derive.combine_plan import compile_elements
from pipeline.derive.gauges import (
    NEVER,
    Gauge,
    Joins,
    LinearModel,
    Plan,
    Segment,
    ShuntModel,
    microseconds,
)
from pipeline.derive.limits import limits_of
from pipeline.derive.models import Bench, strain_model
from pipeline.derive.signal import mistake, signal_of
from pipeline.errors import ConfigError, Mistake
from pipeline.site.models import Calibration, Channel, Placement, Point, Structure, Zero


def compile_plan(structure: Structure) -> Plan:
    """
    The plan of a structure.

    Raises:
        ConfigError: something that `check` refuses is missing or does not fit; all of them.
    """
    register = _Register(structure)
    groups: dict[tuple[str, str, str], list[Placement]] = defaultdict(list)
    for placement in structure.placements:
        groups[placement.point, placement.serial, placement.channel].append(placement)
    gauges: list[Gauge] = []
    mistakes: list[Mistake] = []
    for placements in groups.values():
        placements.sort(key=lambda p: p.valid_from)
        try:
            gauges.append(_gauge(register, placements))
            gauges.extend(_shunt_gauges(register, placements))
        except ConfigError as refused:
            mistakes.extend(refused.mistakes)
    if mistakes:
        raise ConfigError(tuple(mistakes))
    gauges.sort(key=lambda g: (g.point, g.segments[0].start_us, g.serial, g.channel))
    return Plan(tuple(gauges), compile_elements(structure))


class _Register:
    """Look-ups in one structure."""

    def __init__(self, structure: Structure) -> None:
        self.structure = structure
        self.points = {p.id: p for p in structure.points}
        self.channels = {c.id: c for c in structure.channels}
        self.calibrations: dict[str, list[Calibration]] = defaultdict(list)
        for c in sorted(structure.calibrations, key=lambda c: (c.valid_from, c.recorded)):
            self.calibrations[c.id].append(c)
        self.zeros: dict[str, list[Zero]] = defaultdict(list)
        for z in sorted(structure.zeros, key=lambda z: (z.valid_from, z.recorded)):
            self.zeros[z.serial].append(z)
        self.placed: dict[str, list[Placement]] = defaultdict(list)
        for p in sorted(structure.placements, key=lambda p: p.valid_from):
            self.placed[p.serial].append(p)

    def point(self, placement: Placement) -> Point:
        if placement.point not in self.points:
            raise mistake(
                placement, f'point "{placement.point}"', "a point of points.csv", "Add it there."
            )
        return self.points[placement.point]

    def channel(self, placement: Placement) -> Channel:
        if placement.channel not in self.channels:
            raise mistake(
                placement,
                f'channel "{placement.channel}"',
                "a channel of channels.csv",
                "Add it there.",
            )
        return self.channels[placement.channel]

    def beside(self, placement: Placement, key: str) -> Channel:
        """A further channel of a placement, by the name of its column."""
        name = getattr(placement, key)
        if name not in self.channels:
            raise mistake(
                placement, f'{key} "{name}"', "a channel of channels.csv", "Add it there."
            )
        return self.channels[name]

    def calibration(self, placement: Placement, at_us: int) -> tuple[Calibration, bool]:
        """The calibration in force, and whether it is outside its dates at that time."""
        known = self.calibrations.get(placement.calibration)
        if not known:
            raise mistake(
                placement,
                f'calibration "{placement.calibration}"',
                "a calibration of calibrations/",
                "Add its file or mend the name.",
            )
        begun = [c for c in known if microseconds(c.valid_from) <= at_us]
        chosen = begun[-1] if begun else known[0]
        return chosen, not begun or microseconds(chosen.expires) <= at_us

    def bonded_us(self, placement: Placement) -> int:
        """When the serial first came to this point."""
        same = [p for p in self.placed[placement.serial] if p.point == placement.point]
        return microseconds(same[0].valid_from)

    def zero(self, placement: Placement, at_us: int) -> Zero | None:
        """The zero in force at that time."""
        since = self.bonded_us(placement)
        begun = [
            z for z in self.zeros[placement.serial] if since <= microseconds(z.valid_from) <= at_us
        ]
        return begun[-1] if begun else None

    def companion(self, placement: Placement, at_us: int) -> Placement | None:
        """Where the companion is at that time."""
        for p in self.placed[placement.companion or ""]:
            if microseconds(p.valid_from) <= at_us < _end_us(p):
                return p
        return None

    def seams(self, placement: Placement) -> list[int]:
        """Starts of the segments of one placement, ascending, and its end."""
        start, end = microseconds(placement.valid_from), _end_us(placement)
        cuts = {start, end}
        companion = placement.companion if placement.compensation == "companion" else None
        beside = self.placed[companion] if companion else []
        for one in (placement, *beside):
            cuts |= {microseconds(one.valid_from), _end_us(one)}
            for c in self.calibrations.get(one.calibration, ()):
                cuts |= {microseconds(c.valid_from), microseconds(c.expires)}
        cuts |= {microseconds(z.valid_from) for z in self.zeros[placement.serial]}
        return sorted(cut for cut in cuts if start <= cut <= end)


def _end_us(placement: Placement) -> int:
    return NEVER if placement.valid_to is None else microseconds(placement.valid_to)


def _gauge(register: _Register, placements: list[Placement]) -> Gauge:
    first = placements[0]
    point, channel = register.point(first), register.channel(first)
    segments: list[Segment] = []
    for placement in placements:
        seams = register.seams(placement)
        for start, end in pairwise(seams):
            segments.append(_segment(register, placement, start, end))
    limits = limits_of(point, channel)
    return Gauge(first.serial, first.channel, point.id, point.quantity, limits, tuple(segments))


def _segment(register: _Register, placement: Placement, start: int, end: int) -> Segment:
    calibration, expired = register.calibration(placement, start)
    channel, point = register.channel(placement), register.point(placement)
    joins = Joins(
        placement.temperature_channel,
        placement.humidity_channel,
        placement.air_temperature_channel,
        round(placement.climate_age_s * 1e6),
    )
    warm_up_us = round(placement.warm_up_s * 1e6)
    if placement.wiring == "linear":
        linear = _linear(placement, channel, calibration)
        return Segment(start, end, joins, expired, None, None, linear, None, warm_up_us)
    bench = _bench(register, placement, point, calibration, start)
    signal = signal_of(placement, channel, bench.reduction(), bench.imaginary)
    companion = None
    if placement.compensation == "companion":
        beside = register.companion(placement, start)
        companion = None if beside is None else _beside(register, beside, start)
    strain = strain_model(bench, companion)
    return Segment(start, end, joins, expired, signal, strain, None, None, warm_up_us)


def _shunt_gauges(register: _Register, placements: list[Placement]) -> list[Gauge]:
    """The shunt checks of one gauge: rows of their own point from their own channel."""
    checks: dict[tuple[str, str], list[Segment]] = defaultdict(list)
    for placement in placements:
        if placement.shunt_channel is None:
            continue
        if placement.shunt_ohm is None or placement.shunt_point is None:
            raise mistake(
                placement,
                "shunt_channel without shunt_ohm or shunt_point",
                "all three",
                "Fill in the resistor across the arm and the point of the check.",
            )
        calibration, _ = register.calibration(placement, microseconds(placement.valid_from))
        shown = register.beside(placement, "shunt_channel")
        model = ShuntModel(
            channel=placement.channel,
            signal=signal_of(placement, shown, 1.0),
            shunt_ohm=placement.shunt_ohm,
            reading_u=0.0 if calibration.curve is None else calibration.curve.reading_u,
        )
        joins = Joins(None, None, None, round(placement.climate_age_s * 1e6))
        start, end = microseconds(placement.valid_from), _end_us(placement)
        checks[placement.shunt_channel, placement.shunt_point].append(
            Segment(start, end, joins, False, None, None, None, model)
        )
    found = []
    for (channel, name), segments in checks.items():
        if name not in register.points:
            raise mistake(
                placements[0], f'shunt_point "{name}"', "a point of points.csv", "Add it there."
            )
        # A name of its own: who looks for the gauge's rows must not meet those of its check.
        point, serial = register.points[name], f"{placements[0].serial} shunt"
        limits = limits_of(point, register.channels[channel])
        found.append(Gauge(serial, channel, name, point.quantity, limits, tuple(segments)))
    return found


def _bench(
    register: _Register, placement: Placement, point: Point, calibration: Calibration, at_us: int
) -> Bench:
    own = point.expansion_1e6_per_k
    imaginary = None
    if placement.imaginary_channel is not None:
        imaginary = register.beside(placement, "imaginary_channel")
    expansion = register.structure.expansion_1e6_per_k if own is None else own
    return Bench(
        placement=placement,
        calibration=calibration,
        expansion=expansion * 1e-6,
        watches_total=point.watched == "total",
        bonded_us=register.bonded_us(placement),
        zero=register.zero(placement, at_us),
        compares_companion=point.companion_um_m is not None,
        imaginary=imaginary,
    )


def _beside(register: _Register, beside: Placement, at_us: int) -> tuple[str, Bench, Channel]:
    calibration, _ = register.calibration(beside, at_us)
    bench = _bench(register, beside, register.point(beside), calibration, at_us)
    return beside.channel, bench, register.channel(beside)


def _linear(placement: Placement, channel: Channel, calibration: Calibration) -> LinearModel:
    if calibration.scale is None:
        raise mistake(
            placement,
            f'calibration "{calibration.id}" without a scale',
            "a calibration of kind linear",
            "Give it its scale, or name another calibration.",
        )
    return LinearModel(
        scale=calibration.scale,
        scale_u=calibration.scale_u,
        unstrained=placement.unstrained or 0.0,
        unstrained_u=placement.unstrained_u,
        rail_low=float("-inf") if channel.rail_low is None else channel.rail_low,
        rail_high=float("inf") if channel.rail_high is None else channel.rail_high,
    )
