"""
Faults on a schedule: what each does, only while it holds, and the same however cut.
"""

import numpy as np
import pytest

from pipeline.simulate.faults import Fault, faulty_values, is_silent, stamps
from pipeline.simulate.scenario import Channel

SECOND = 1_000_000
BRIDGE = Channel("c", "n", "/", 1.0, 0.0, 1e-8, -0.004, 0.004)
METER = Channel("c", "n", "Ohm", 1.0, 0.0, 1.0, 1000.0, 2e6)
TIME = np.arange(100) * SECOND


def clean(time_us: np.ndarray) -> np.ndarray:
    """A signal that tells its time: 1e-6 a second."""
    return np.asarray(time_us * 1e-12)


def sent(channel: Channel, *faults: Fault) -> np.ndarray:
    """What the channel sends over 100 s with these faults."""
    return faulty_values(faults, channel, TIME, clean(TIME), clean, seed=1)


@pytest.mark.parametrize(
    ("kind", "channel", "value"),
    [
        ("open", BRIDGE, 0.004),
        ("short", BRIDGE, -0.004),
        ("open", METER, 2e6),
        ("short", METER, 0.3),
    ],
)
def test_a_broken_circuit_drives_the_converter_to_its_end(
    kind: str, channel: Channel, value: float
) -> None:
    """Open and short read the ends of the converter, or next to no ohms; before and after clean."""
    found = sent(channel, Fault(kind, "c", 10 * SECOND, 20 * SECOND))  # type: ignore[arg-type]

    assert set(found[10:20].tolist()) == {value}
    assert found[:10].tolist() == clean(TIME)[:10].tolist()
    assert found[20:].tolist() == clean(TIME)[20:].tolist()


def test_a_stuck_converter_shows_its_first_value_in_every_cut() -> None:
    """The value at the fault's start is held, also for a piece that begins later."""
    fault = Fault("stuck", "c", 9_500_000, 60 * SECOND)
    later = faulty_values([fault], BRIDGE, TIME[30:], clean(TIME[30:]), clean, seed=1)

    assert set(sent(BRIDGE, fault)[10:60].tolist()) == {10 * 1e-6}
    assert set(later[:30].tolist()) == {10 * 1e-6}


def test_spikes_are_rare_have_their_height_and_do_not_depend_on_cuts() -> None:
    """About 3 of 100, up or down by the size; the later half alone has the same ones."""
    time = np.arange(20_000) * SECOND
    fault = Fault("spikes", "c", 0, 20_000 * SECOND, 1e-3)
    zero = np.zeros(len(time))
    whole = faulty_values([fault], BRIDGE, time, zero, clean, seed=1)
    half = faulty_values([fault], BRIDGE, time[9000:], zero[9000:], clean, seed=1)

    assert set(np.abs(whole).tolist()) == {0.0, 1e-3}
    assert np.count_nonzero(whole) / 20_000 == pytest.approx(0.03, abs=5 * np.sqrt(0.03 / 20_000))
    assert whole[9000:].tolist() == half.tolist()
    assert abs(np.sign(whole).sum()) < 5 * np.sqrt(600)


def test_drift_grows_with_the_days() -> None:
    """A tenth of the size after a tenth of a day."""
    time = np.array([0, 8_640 * SECOND])
    fault = Fault("drift", "c", 0, 10**12, 1e-3)
    found = faulty_values([fault], BRIDGE, time, np.zeros(2), clean, seed=1)

    assert found == pytest.approx([0.0, 1e-4])


def test_silence_takes_a_channel_or_its_whole_node() -> None:
    """Both targets silence the channel while they hold; another node's does not."""
    for target, count in (("c", 10), ("n", 10), ("other", 0)):
        silent = is_silent([Fault("silence", target, 5 * SECOND, 15 * SECOND)], BRIDGE, TIME)

        assert silent.sum() == count


def test_a_clock_that_jumps_moves_stamps_of_its_node_only() -> None:
    """Stamps are moved by the size while it holds; another node keeps its time."""
    fault = Fault("clock_jump", "n", 10 * SECOND, 20 * SECOND, -3600.0)
    written = stamps([fault], "n", TIME)

    assert (written - TIME)[9:21].tolist() == [0] + [-3_600_000_000] * 10 + [0]
    assert stamps([fault], "m", TIME).tolist() == TIME.tolist()


def test_another_channels_fault_changes_nothing() -> None:
    """The values that come in are left as they are, and so is the array itself."""
    value = clean(TIME)
    found = faulty_values([Fault("open", "d", 0, 10**12)], BRIDGE, TIME, value, clean, seed=1)

    assert found.tolist() == value.tolist()
    assert found is not value
