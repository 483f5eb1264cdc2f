"""Station faults, the clock, and shelving that ends by itself."""

from __future__ import annotations

from pipeline.alarms.engine import Tick, resume
from pipeline.alarms.state import Clock
from tests.alarms.examples import Bench, at_us, rule, rule_set, story

HOUR = 3600.0


def test_each_station_fault_is_an_alarm_of_its_own_whatever_its_name() -> None:
    """Faults that nobody listed beforehand are raised and cleared like any other."""
    bench = Bench(rule_set(rule("station", "station")))

    told = bench.tick(10, disk="300 MB free, 500 needed", gnomes="in the cabinet")
    assert [(t.alarm, t.point, t.detail) for t in told] == [
        ("station.disk", "", "300 MB free, 500 needed"),
        ("station.gnomes", "", "in the cabinet"),
    ]
    assert bench.tick(11, disk="290 MB free", gnomes="still") == []
    cleared = bench.tick(12, disk="280 MB free")
    assert [(t.alarm, t.event) for t in cleared] == [("station.gnomes", "returned")]
    assert bench.standing("station.disk") == "unacknowledged"


def test_station_faults_keep_their_delays() -> None:
    """A fault must last 30 s to be raised and be gone for 60 s to return."""
    bench = Bench(rule_set(rule("station", "station", on_delay_s=30.0, off_delay_s=60.0)))
    for now_s in (0, 20, 30):
        bench.tick(now_s, broker="refuses")
    for now_s in (40, 99):
        bench.tick(now_s)
    bench.restart()
    bench.tick(100)

    assert story(bench.told) == [("occurred", 0.0), ("returned", 40.0)]


def test_a_fault_that_comes_and_goes_within_the_delay_is_not_told() -> None:
    """Two faults of 20 s are not one of 40 s."""
    bench = Bench(rule_set(rule("station", "station", on_delay_s=30.0)))
    for now_s, faults in (
        (0, {"broker": "x"}),
        (20, {}),
        (25, {"broker": "x"}),
        (50, {"broker": "x"}),
    ):
        bench.tick(now_s, **faults)

    assert bench.told == []


def test_station_alarms_can_be_acknowledged() -> None:
    """They have the same life cycle as any alarm."""
    bench = Bench(rule_set(rule("station", "station")))
    bench.tick(0, disk="full")

    assert bench.act("ack", 1, alarm="station.disk")
    assert bench.standing("station.disk") == "acknowledged"


def test_steady_clock_never_goes_back() -> None:
    """Advances count, small disorder does not, and after a step back counting goes on."""
    clock = Clock().advanced(at_us(1000)).advanced(at_us(1010))
    assert clock.steady_us == 10_000_000
    disordered = clock.advanced(at_us(1005))
    assert disordered.steady_us == 10_000_000
    assert disordered.advanced(at_us(1012)).steady_us == 12_000_000
    stepped = clock.advanced(at_us(1010 - 7200)).advanced(at_us(1010 - 7197))
    assert stepped.steady_us == 13_000_000


def test_clock_that_steps_back_neither_moves_state_back_nor_stops_silence() -> None:
    """Two hours back after 300 s of silence: the remaining 300 s still raise."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.rows([(0, 1.0, 1.0)])
    bench.tick(300)
    before = bench.state.clock.steady_us

    assert bench.tick(300 - 2 * HOUR) == []
    assert bench.state.clock.steady_us == before
    assert bench.tick(599 - 2 * HOUR) == []
    assert len(bench.tick(600 - 2 * HOUR)) == 1


def test_clock_that_steps_back_does_not_stop_a_pending_alarm() -> None:
    """An hour back while pending: the on-delay of 60 s is over after 60 s all the same."""
    bench = Bench(rule_set(rule(on_delay_s=60.0)))
    bench.rows([(0, 1100.0, 1.0)])
    bench.tick(30)

    bench.tick(30 - HOUR)
    assert bench.told == []
    assert story(bench.tick(60 - HOUR)) == [("occurred", 0.0)]


def test_time_in_which_the_station_did_not_listen_is_not_silence() -> None:
    """After `resume` the count goes on where it stood."""
    bench = Bench(rule_set(rule("quiet", "silent", after_s=600.0)))
    bench.rows([(0, 1.0, 1.0)])
    bench.tick(100)
    bench.state = resume(at_us(50_000), bench.state)

    assert bench.tick(50_499) == []
    assert len(bench.tick(50_500)) == 1


def test_shelving_ends_by_itself_and_tells_what_is_still_there() -> None:
    """Shelved until 100 with the condition present: unacknowledged again at 100."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 1100.0, 1.0)])
    bench.act("shelve", 10, until_s=100)

    assert bench.tick(99) == []
    told = bench.tick(100)
    assert [(t.event, t.before, t.after) for t in told] == [
        ("unshelved_alarm", "shelved", "unacknowledged")
    ]
    assert (told[0].value, told[0].limit, told[0].crossing) == (1100.0, 1000.0, "value")
    assert story(told)[0][1] == 0.0
    assert "shelving ended" in told[0].detail


def test_shelving_lasts_no_longer_because_the_clock_was_set_back() -> None:
    """Two hours back in the middle of 90 s: the rest is still 45 s."""
    bench = Bench(rule_set(rule()))
    bench.tick(10)
    bench.act("shelve", 10, until_s=100)
    bench.tick(55)
    bench.tick(55 - 2 * HOUR)

    assert bench.tick(99 - 2 * HOUR) == []
    assert [t.event for t in bench.tick(100 - 2 * HOUR)] == ["unshelved_normal"]


def test_time_for_which_the_station_was_off_counts_as_shelved() -> None:
    """Shelved until 100, off from 20 to 5000: it ends with the first tick, not 80 s later."""
    bench = Bench(rule_set(rule()))
    bench.rows([(0, 1100.0, 1.0)])
    bench.act("shelve", 10, until_s=100)
    bench.tick(20)
    bench.state = resume(at_us(5000), bench.state)

    assert [t.event for t in bench.tick(5000)] == ["unshelved_alarm"]


def test_tick_goes_through_facts() -> None:
    """A journalled tick is the tick that was decided on."""
    tick = Tick(at_us(1), at_us(0), {"disk": "full"})

    assert Tick.from_facts(tick.to_facts()) == tick
