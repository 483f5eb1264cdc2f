"""
Readings from arrays, and one stream that exercises every gauge of `examples.everything`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from pipeline.blocks import TEST_BIT, Readings, Results, concat_readings
from tests.derive.examples import START_US

Floats = npt.NDArray[np.float64]


def readings(
    channels: Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]], received_s: float = 0.0
) -> Readings:
    """Readings in the order of time from (seconds since START, values) of each channel."""
    time: list[npt.NDArray[np.int64]] = []
    value: list[Floats] = []
    name: list[str] = []
    for channel, (seconds, values) in channels.items():
        at = np.rint(np.asarray(seconds, np.float64) * 1e6).astype(np.int64) + START_US
        time.append(at)
        value.append(np.broadcast_to(np.asarray(values, np.float64), at.shape))
        name += [channel] * len(at)
    times = np.concatenate(time)
    block = Readings.from_columns(
        times, name, np.concatenate(value), times + round(received_s * 1e6)
    )
    return block.take(np.argsort(times, kind="stable"))


def floats(block: Readings | Results, name: str) -> Floats:
    """A column as float64, NaN for null."""
    return np.asarray(block.column(name), np.float64)


def slow(seconds: npt.ArrayLike, middle: float, swing: float, hours: float) -> Floats:
    """A wave that a day could have brought."""
    return middle + swing * np.sin(np.asarray(seconds, np.float64) / hours / 600.0)


def busy_day(hours: float = 10.0, seed: int = 7) -> Readings:
    """
    Every channel of `examples.everything`, irregular, with faults, repeats and contradictions.

    All times differ between channels: what a reading can see is then decided by time alone.
    """
    rng = np.random.default_rng(seed)
    end = hours * 3600.0
    made: dict[str, tuple[Floats, Floats]] = {}
    for k, (channel, middle, swing) in enumerate(
        (("ts", 18.0, 9.0), ("ta", 16.0, 6.0), ("rh", 60.0, 25.0))
    ):
        t = np.arange(0.0, end, 120.0) + 1.0 + 7.0 * k
        t = t[(t < 0.55 * end) | (t > 0.7 * end)]  # a silent spell, longer than the age
        made[channel] = (t, slow(t, middle, swing, 2.0 + k))
    for k, channel in enumerate(("F1", "C1", "C2", "K2", "C3", "B1", "T1", "C5", "K5")):
        t = np.cumsum(rng.uniform(20.0, 90.0, int(end / 60.0))).round(3) + 0.001 * (k + 1)
        made[channel] = (t, _signal(channel, t, rng))
    made |= _electrical(end, seed + 1)
    stream = _counted(readings(made), rng)
    repeated = stream.take(np.arange(0, len(stream), 97))
    other = stream.take(np.arange(5, len(stream), 211))
    contradicting = Readings.from_columns(
        other.column("time"),
        other.table.column("channel").combine_chunks(),
        floats(other, "value") * 1.0001,
        other.column("received") + 1,
        other.table.column("sequence").combine_chunks(),
    )
    joined = concat_readings([stream, repeated, contradicting])
    return joined.take(np.argsort(joined.column("time"), kind="stable"))


def _electrical(end: float, seed: int) -> dict[str, tuple[Floats, Floats]]:
    """Bridge of several arms, divider, impedance and shunt checks."""
    rng, made = np.random.default_rng(seed), dict[str, tuple[Floats, Floats]]()
    for k, channel in enumerate(("B2", "D1", "Z1", "F1-shunt")):
        t = np.cumsum(rng.uniform(20.0, 90.0, int(end / 60.0))).round(3) + 0.001 * (k + 41)
        wave, noise = np.sin(t / 1900.0), rng.normal(size=len(t))
        made[channel] = (
            t,
            {
                "B2": 1e-3 + 1e-3 * wave + 1e-6 * noise,
                "D1": 0.5 + 2e-3 * wave + 1e-6 * noise,
                "Z1": 10_000.0 * (0.9 + 8e-3 * wave + 1e-5 * noise),
                "F1-shunt": 1.5e-4 - 5e-4 + 2e-4 * wave + 2e-5 * noise,
            }[channel],
        )
    t, real = made["D1"]
    made["D1"] = t[(t < 0.2 * end) | (t > 0.25 * end)], real[(t < 0.2 * end) | (t > 0.25 * end)]
    t, real = made["Z1"]
    # One message brings both parts of an impedance, and now and then one of them alone.
    made["Z1-im"] = t[t % 13.0 > 1.0], -0.3 * real[t % 13.0 > 1.0]
    return made


def _counted(stream: Readings, rng: np.random.Generator) -> Readings:
    """The readings in messages of ten, counted; now and then the count steps back or is lost."""
    count = np.arange(len(stream)) // 10
    count[rng.choice(len(stream), 40, replace=False)] -= 50
    lost = rng.uniform(size=len(stream)) < 0.02
    return Readings.from_columns(
        stream.column("time"),
        stream.table.column("channel").combine_chunks(),
        floats(stream, "value"),
        stream.column("received"),
        pa.array(count, pa.int64(), mask=lost),
    )


def _signal(channel: str, t: Floats, rng: np.random.Generator) -> Floats:
    noise = rng.normal(size=len(t))
    if channel == "T1":
        return np.asarray(slow(t, 0.5, 0.2, 3.0) + 1e-3 * noise)
    if channel in ("F1", "B1"):
        value = 1.5e-4 + 2e-4 * np.sin(t / 1900.0) + 1e-6 * noise
        value[len(t) // 3] = 0.5
        value[len(t) // 2 : len(t) // 2 + 25] = value[len(t) // 2]
        return np.asarray(value)
    value = 10_000.0 * (1.0 + 8e-3 * np.sin(t / 2500.0) + 1e-5 * noise)
    value[len(t) // 4] = 1e6
    value[len(t) // 4 + 1] = 3.0
    return np.asarray(value)


def without_others(results: Results) -> Results:
    """Sorted rows of a live run without the values that a sealed window does not keep."""
    is_other = np.zeros(len(results), bool)
    tests = results.column("tests").astype(np.int64)
    is_other[1:] = (tests[1:] & TEST_BIT["contradiction"]) != 0
    for name in ("point", "quantity", "time"):
        column = results.table.column(name).to_numpy()
        is_other[1:] &= column[1:] == column[:-1]
    return results.take(np.flatnonzero(~is_other))


def assert_close(found: Results, expected: Results, relative: float = 1e-9) -> None:
    """Equal rows, flags and tests, and floats within `relative` (of 1 µm/m where smaller)."""
    assert len(found) == len(expected)
    for name in found.table.column_names:
        a, b = found.column(name), expected.column(name)
        if a.dtype.kind == "f":
            np.testing.assert_allclose(
                a.astype(np.float64), b.astype(np.float64), relative, relative, err_msg=name
            )
        else:
            np.testing.assert_array_equal(a, b, err_msg=name)
