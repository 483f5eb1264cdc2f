"""
Benches and gauges by their number: bench i calibrates, gauge i of its batch is read by it.

Within a case all gauges and all calibrations are independent; a calibration serves in each case of
its batch, with another gauge's weather, load and sensors.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from ops.coverage.benched import calibration_of
from ops.coverage.counting import Outcome, counted
from ops.coverage.field import installed
from ops.coverage.recovery import Recovered, recovered
from ops.coverage.scenarios import CASES, Case
from pipeline.simulate.scenario import read_scenario

PROCESSES = 2
APART = 10_000
Found = dict[str, Recovered | None]
"""By case; None: `calibrate` refused the bench."""


def bench_and_gauges(number: int, cases: Sequence[Case] = CASES) -> Found:
    """The readings of one number: a bench for each batch, and a gauge for each case."""
    scenario = read_scenario()
    batches = dict.fromkeys(case.batch for case in cases)
    sheets = {batch: calibration_of(scenario, batch, number) for batch in batches}
    found: Found = {}
    for place, case in enumerate(cases):
        sheet = sheets[case.batch]
        if sheet is None:
            found[case.name] = None
            continue
        # Another case has another gauge, so far off that no two numbers share a draw.
        gauge = installed(scenario, case, sheet, number + APART * place)
        found[case.name] = recovered(gauge, sheet)
    return found


def outcomes(numbers: Iterable[int], cases: Sequence[Case] = CASES) -> list[Outcome]:
    """What each case gave over these numbers, on spawned processes."""
    with ProcessPoolExecutor(PROCESSES, mp_context=get_context("spawn")) as pool:
        every = list(pool.map(bench_and_gauges, numbers, chunksize=4))
    return gathered(every, cases)


def gathered(every: Sequence[Found], cases: Sequence[Case] = CASES) -> list[Outcome]:
    """The readings of all numbers, counted case by case."""
    result = []
    for case in cases:
        found = [one[case.name] for one in every]
        kept = [one for one in found if one is not None]
        result.append(counted(case.name, kept, len(found) - len(kept)))
    return result
