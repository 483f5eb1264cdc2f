"""
Readings that no sound gauge gives: open, stuck, of another sign or size, or against the load.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from pipeline.bench.response import GaugeResponse, Response, gauge_response
from pipeline.bench.runs import Bench
from pipeline.blocks import Floats, Ints
from pipeline.errors import Mistake

_OPEN = 10.0
"""Times the run's first reading, beyond which no strain but a break carries a resistance."""
_STUCK = 1e-7
"""δ over a whole run below which nothing moved."""
_APART = 2.0
"""Times the median factor of the other gauges: more is not spread but a fault."""
_BACK = 0.1
"""A step back by more than this share of the usual rise is not noise."""
_LEAVE_OUT = 'Look at its wiring; leave it out with [[left_out]] serial = "{}" and the reason.'


def check_responses(bench: Bench) -> Iterator[Mistake]:
    """Broken gauges first; the order of readings only of those that are not broken."""
    serials = [*bench.serials, *dict.fromkeys(run.serial for run in bench.reference)]
    gauges = [gauge_response(bench, serial) for serial in serials]
    sound: list[GaugeResponse] = []
    for gauge in gauges:
        told = [mistake for run in gauge.runs for mistake in _broken(run)]
        yield from told[:1]
        if not told:
            sound.append(gauge)
    of_batch = [gauge for gauge in sound if not gauge.runs[0].run.is_reference]
    apart = list(_factors_apart(bench, of_batch))
    yield from apart
    if not apart:
        for gauge in sound:
            yield from _against_load(bench, gauge)


def factor(response: Response) -> float:
    """δ per strain of a run by least squares through zero: a first, rough gauge factor."""
    strain, delta = response.strain, response.delta
    return float(strain @ delta / (strain @ strain))


def _broken(response: Response) -> Iterator[Mistake]:
    run = response.run
    bad = ~np.isfinite(run.delta) | ~np.isfinite(run.reading)
    if not run.is_bridge:
        ratio = np.abs(run.reading / run.reading[0]) if run.reading[0] > 0.0 else run.reading * 0.0
        bad |= (ratio > _OPEN) | (ratio < 1.0 / _OPEN) | (run.reading <= 0.0)
    remedy = _LEAVE_OUT.format(run.serial)
    column = "ratio" if run.is_bridge else "resistance_ohm"
    if bad.any():
        row = run.rows[int(np.argmax(bad))]
        found = f"{run.reading[bad][0]:g} in run {run.label}, which began with {run.reading[0]:g}"
        yield row.mistake(column, f"{found}: open or short", "the reading of a gauge", remedy)
    elif float(np.ptp(run.delta)) < _STUCK:
        found = f"{run.reading[0]:g} in every row of run {run.label}: stuck"
        yield run.rows[0].mistake(column, found, "a reading that follows the load", remedy)


def _factors_apart(bench: Bench, gauges: list[GaugeResponse]) -> Iterator[Mistake]:
    factors = {gauge.serial: [factor(run) for run in gauge.runs] for gauge in gauges}
    for serial, own in factors.items():
        others = [f for name, several in factors.items() if name != serial for f in several]
        usual = float(np.median(others or own))
        place = f'gauge "{serial}"'
        runs = [run for gauge in gauges if gauge.serial == serial for run in gauge.runs]
        for response, one in zip(runs, own, strict=True):
            if usual and 1.0 / _APART <= one / usual <= _APART:
                continue
            if len(factors) == 2 and np.ptp(own) < 0.1 * abs(usual):
                place = " and ".join(f'gauge "{name}"' for name in factors)
            found = f"a factor of about {one:.3g} in run {response.run.label}"
            expected = f"one near {usual:.3g}, as in the other runs of the batch"
            remedy = _LEAVE_OUT.format(serial)
            if usual and one / usual < 0.0:
                remedy = "Its sign is turned: exchange the leads of the bridge, or the load's sign."
            where = f"{response.run.rows[0].place} ({place})" if "and" in place else ""
            yield Mistake(bench.file, where or response.run.rows[0].place, found, expected, remedy)
            break


def _against_load(bench: Bench, gauge: GaugeResponse) -> Iterator[Mistake]:
    """Branches in which δ steps back: loads exchanged in one run, or a curve that turns in all."""
    sign = np.sign(np.median([factor(run) for run in gauge.runs]))
    turned: list[tuple[Response, Ints, int]] = []
    for response in gauge.runs:
        for rows in (response.is_up, response.is_down):
            order = np.flatnonzero(rows)
            order = order[np.argsort(response.strain[order], kind="stable")]
            at = _first_step_back(sign * response.delta[order], response.strain[order])
            if at is not None:
                turned.append((response, order, at))
                break
    if 2 * len(turned) > len(gauge.runs):
        pairs = [_exchanged(response, order, sign) for response, order, _ in turned]
        if not any(pairs):
            yield _turns(bench, gauge, turned[0])
            return
    for response, order, at in turned:
        yield _stepped_back(response, order, at, sign)


def _first_step_back(delta: Floats, strain: Floats) -> int | None:
    """Position before which δ steps back while the strain rises, or None."""
    new = np.diff(strain) > 1e-3 * float(np.ptp(strain))
    rise = np.diff(delta)
    usual = float(np.median(rise[new])) if new.any() else 0.0
    back = np.flatnonzero(new & (rise < -_BACK * max(usual, 0.0)) & (rise < 0.0))
    return int(back[0]) + 1 if len(back) else None


def _exchanged(response: Response, order: Ints, sign: float) -> tuple[int, int] | None:
    """The pair of readings whose exchange makes the branch rise, the straightest if several."""
    delta, strain = sign * response.delta[order], response.strain[order]
    best, found = np.inf, None
    for i, j in combinations(range(len(order)), 2):
        trial = delta.copy()
        trial[[i, j]] = trial[[j, i]]
        if _first_step_back(trial, strain) is not None:
            continue
        left = trial - strain * (strain @ trial / (strain @ strain))
        if float(left @ left) < best:
            best, found = float(left @ left), (int(order[i]), int(order[j]))
    return found


def _stepped_back(response: Response, order: Ints, at: int, sign: float) -> Mistake:
    run, pair = response.run, _exchanged(response, order, sign)
    if pair is not None:
        first, second = sorted(pair)
        found = (
            f"δ that steps back in run {run.label}, and would rise with the readings of this row "
            f"and of {run.rows[second].place} exchanged"
        )
        remedy = "Two loads look exchanged: compare with the notes, mend both rows, or repeat."
        return run.rows[first].mistake("load_n", found, "δ that follows the load", remedy)
    row = run.rows[int(order[at])]
    found = f"δ of {run.delta[order[at]]:.5g} after {run.delta[order[at - 1]]:.5g} in run"
    expected = f"δ that follows the load, as in the other runs of {run.serial}"
    remedy = "Compare the row with the notes; repeat the run if it stands there so."
    return row.mistake("resistance_ohm", f"{found} {run.label}", expected, remedy)


def _turns(bench: Bench, gauge: GaugeResponse, first: tuple[Response, Ints, int]) -> Mistake:
    response, order, at = first
    row = response.run.rows[int(order[at])]
    strain = response.strain[order[at - 1]] * 1e6
    found = (
        f'a curve of gauge "{gauge.serial}" that is not monotone: δ turns beyond '
        f"{strain:.0f} µm/m in most of its runs"
    )
    remedy = (
        f"The gauge is past saturation there: end the runs before, and set full_scale_um_m "
        f"below {abs(strain):.0f}. One δ for two strains can never be turned back into a strain."
    )
    return row.mistake("load_n", found, "δ that rises, or falls, over the whole range", remedy)
