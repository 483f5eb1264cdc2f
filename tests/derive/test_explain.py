"""
One foil and one printed reading worked by hand from the equations of the trade, beside the account
that is given of them; and what an account says where something is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict

import numpy as np
import pytest
from scipy import stats

from pipeline.blocks import Readings
from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.derive.explain import Account, account_of
from pipeline.derive.explain_signal import Quantity
from pipeline.derive.moment import differences, moment_of, row_at
from pipeline.derive.state import ChainState
from pipeline.site.models import Structure
from tests.derive.examples import (
    AGEING,
    CREEP,
    CUBIC,
    DAMP,
    FILM_OUTPUT,
    FOIL,
    START_US,
    TILT,
    calibration,
    everything,
    film,
    foil,
    placement,
    structure,
    zero,
)
from tests.derive.forward import vapour_pressure_hpa
from tests.derive.streams import busy_day, readings

HAND = calibration(
    "full", CUBIC, temperature=FILM_OUTPUT, moisture=DAMP, creep=CREEP, ageing=AGEING
)


def account(installed: Structure, read: Readings, point: str, after_s: float) -> Account:
    """Of the reading at that time, from a cold start."""
    at_us = START_US + round(after_s * 1e6)
    moment = moment_of(read, ChainState(), compile_plan(installed), point, at_us)
    assert moment is not None
    return account_of(moment)


def values(quantities: tuple[Quantity, ...]) -> dict[str, object]:
    """By key."""
    return {quantity.key: quantity.value for quantity in quantities}


def undone(forward: Callable[[float], float], delta: float) -> float:
    """The strain of a δ by bisection between -1200 and 1500 µm/m."""
    low, high = -1.2e-3, 1.5e-3
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if forward(middle) < delta else (low, middle)
    return low


def foil_account() -> Account:
    """e = 1.2e-3 at 31 °C, with a zero of 3e-4."""
    read = readings({"F1": ([60.0, 120.0], [1.5e-4, 1.2e-3]), "ts": ([100.0], [31.0])})
    return account(structure((foil(),), (zero("F1", 0.0),), (FOIL,)), read, "P-F1", 120.0)


def foil_output(temperature: float) -> float:
    """A(T) of the foil: 2.1·1e-6·(0.8·c - 0.05·c² + 0.001·c³), c = T - 20."""
    c = temperature - 20.0
    return 2.1e-6 * (0.8 * c - 0.05 * c**2 + 0.001 * c**3)


def test_a_foil_reading_by_hand() -> None:
    """Exact quarter bridge, three-wire leads, R0 at 20 °C, thermal output, c_k, zero, expansion."""
    found = foil_account()
    x, x0 = (0.5 + 1.2e-3) / (0.5 - 1.2e-3), (0.5 + 1.5e-4) / (0.5 - 1.5e-4)
    gauge = x / x0 * (350.0 + 2.0) - 2.0
    delta = gauge / 350.0 * (1.0 + foil_output(23.0)) - 1.0
    output, gain = foil_output(31.0), 1.0 + 1e-4 * 11.0
    load = (delta - output - 3e-4) / gain
    by_hand = {"thermal_output": output, "sensitivity": (gain - 1.0) * load, "zero": 3e-4}
    signal, strains = values(found.signal), values(found.strains)

    assert signal["arm_ratio"] == pytest.approx(x, rel=1e-14)
    assert signal["arm_delta"] == pytest.approx(x / x0 - 1.0, rel=1e-12)
    assert signal["reduction"] == pytest.approx(1.0 + foil_output(23.0), rel=1e-14)
    assert signal["delta"] == pytest.approx(delta, rel=1e-11)
    assert strains["indicated"] == pytest.approx(delta / 2.1 * 1e6, rel=1e-11)
    for term in found.terms:
        worth = by_hand.get(term.name)
        assert term.delta == (None if worth is None else pytest.approx(worth, rel=1e-9))
        assert term.um_m == (None if worth is None else pytest.approx(worth / 2.1e-6, rel=1e-9))
    assert strains["mechanical"] == pytest.approx(load / 2.1 * 1e6, rel=1e-9)
    assert strains["total"] == pytest.approx(load / 2.1 * 1e6 + 12.0 * 11.0, rel=1e-9)
    assert values(found.climate) == {"temperature": 31.0}
    assert found.climate[0].note == "ts, 20 s old, limit 900 s"


def test_the_budget_of_a_foil_reading_by_hand() -> None:
    """Each component over the tangent factor; ν_eff from the curve's nine degrees of freedom."""
    found = foil_account()
    strain = float(found.row["mechanical"] or 0.0) * 1e-6
    gain, load = 1.0 + 1e-4 * 11.0, 2.1 * strain
    # Less A' = 2.1e-6·0.8 at the zero, 20 °C and no strain: there the thermometer was as wrong.
    slope = 2.1e-6 * (0.8 - 0.1 * 11.0 + 0.003 * 121.0) + 1e-4 * load - 2.1e-6 * 0.8
    in_delta = {
        "reading": 1e-6,
        "zero": 2e-6,
        "curve": 1e-2 * strain * gain,
        "temperature": 0.2 * slope,
        "thermal_output": 0.05 * foil_output(31.0),
    }
    by_hand = {name: abs(u) / (2.1 * gain) * 1e6 for name, u in in_delta.items()}
    combined = math.sqrt(sum(u**2 for u in by_hand.values()))
    freedom = combined**4 / (by_hand["curve"] ** 4 / 9.0)
    factor = float(stats.t.ppf(0.975, freedom))
    budget = found.budget

    assert budget is not None
    assert {s.name: s.u for s in budget.shares} == pytest.approx(by_hand, rel=1e-9)
    assert {s.name: s.freedom for s in budget.shares if s.freedom} == {"curve": 9.0}
    assert sum(s.share for s in budget.shares) == pytest.approx(1.0, rel=1e-12)
    assert budget.combined == pytest.approx(combined, rel=1e-9)
    assert budget.freedom == pytest.approx(freedom, rel=1e-9)
    assert budget.factor == pytest.approx(factor, abs=1e-6)
    assert budget.u95 == pytest.approx(factor * combined, rel=1e-6)
    assert budget.u == pytest.approx(found.row["u"], rel=1e-12)


class PrintedByHand:
    """Three readings of a printed gauge at 600, 1200 and 1800 s; climate at 0 and 900 s."""

    shown = (10_020.0, 10_060.0, 10_075.0)
    times = (600.0, 1200.0, 1800.0)
    climate = ((0.0, 17.0, 16.0, 60.0), (900.0, 19.0, 17.0, 70.0))  # s, surface, air, %RH
    leakage = 5e8

    def __init__(self) -> None:
        humid = [
            rh / 100.0 * vapour_pressure_hpa(ta) / vapour_pressure_hpa(ts)
            for _, ts, ta, rh in self.climate
        ]
        self.drive = humid[1]
        self.tau = 5400.0 * math.exp(2500.0 * (1.0 / 292.15 - 1.0 / 293.15))
        w = humid[1] + (humid[0] - humid[1]) * math.exp(-900.0 / self.tau)
        self.moisture = (humid[0], None, w)
        self.reference = self._gauge(10_000.0)
        self.reduction = 1.0 + self.output(17.0) + self.damp(0.62)
        self._run(humid, w)

    def _gauge(self, shown: float) -> float:
        return shown * self.leakage / (self.leakage - shown)

    def output(self, temperature: float) -> float:
        """A(T)."""
        c = temperature - 20.0
        return 1.5e-4 * c + 2e-6 * c**2 - 1e-8 * c**3

    def damp(self, w: float) -> float:
        """H(w)."""
        return 4e-3 * (w - 0.5) + 1e-3 * (w - 0.5) ** 2

    def aged(self, seconds: float) -> float:
        """Logarithmic, from the placement's start."""
        return -2e-4 * math.log(1.0 + seconds / (365.25 * 86400.0))

    def curve(self, strain: float) -> float:
        """F."""
        return 20.0 * strain - 1500.0 * strain**2 - 9e5 * strain**3

    def _run(self, humid: list[float], w_last: float) -> None:
        """Load creep as driven states, the load held between readings."""
        # At 1200 s the film has gone 300 s of the way that it goes in 900 s until 1800 s.
        w_middle = humid[1] + (humid[0] - humid[1]) * math.exp(-300.0 / self.tau)
        states, load = [0.0, 0.0], 0.0
        for n, (t, w) in enumerate(zip(self.times, (humid[0], w_middle, w_last), strict=True)):
            temperature = 17.0 if t < 900.0 else 19.0
            if n:
                decay = [math.exp(-600.0 / tau) for tau in (600.0, 20_000.0)]
                states = [load + (z - load) * d for z, d in zip(states, decay, strict=True)]
            self.delta = self._gauge(self.shown[n]) / self.reference * self.reduction - 1.0
            gain = 1.0 - 8e-4 * (temperature - 20.0)
            others = self.output(temperature) + self.damp(w) + self.aged(t) + 3e-4
            self.load_shown = (self.delta - others) / gain
            creep = 0.03 * states[0] + 0.05 * states[1]
            load = self.load_shown - creep
        self.gain, self.states, self.load = gain, states, load
        self.effects = {
            "thermal_output": self.output(19.0),
            "sensitivity": (gain - 1.0) * self.load_shown,
            "moisture": self.damp(w_last),
            "creep": creep,
            "ageing": self.aged(1800.0),
            "zero": 3e-4,
        }


def printed_account() -> Account:
    """The third reading of `PrintedByHand`."""
    hand = PrintedByHand
    seconds = [row[0] for row in hand.climate]
    read = readings(
        {
            "C1": (hand.times, hand.shown),
            "ts": (seconds, [row[1] for row in hand.climate]),
            "ta": (seconds, [row[2] for row in hand.climate]),
            "rh": (seconds, [row[3] for row in hand.climate]),
        }
    )
    installed = structure((film(),), (zero("C1", 0.0),), (HAND,))
    return account(installed, read, "P-C1", 1800.0)


def test_a_printed_reading_by_hand() -> None:
    """Leakage, R0, humidity at the surface, lag, creep, ageing and every term through the curve."""
    found, hand = printed_account(), PrintedByHand()
    signal, climate = values(found.signal), values(found.climate)

    assert signal["gauge_ohm"] == pytest.approx(hand._gauge(10_075.0), rel=1e-13)
    assert signal["r0_ohm"] == pytest.approx(hand.reference / hand.reduction, rel=1e-13)
    assert signal["delta"] == pytest.approx(hand.delta, rel=1e-11)
    assert climate["surface_humidity"] == pytest.approx(hand.drive, rel=1e-5)
    assert climate["film_tau"] == pytest.approx(hand.tau, rel=1e-12)
    assert climate["film_moisture"] == pytest.approx(hand.moisture[2], rel=1e-5)
    left, before = hand.delta, undone(hand.curve, hand.delta)
    for term in found.terms:
        worth = hand.effects.get(term.name)
        if worth is None:
            assert (term.name, term.note) == ("companion", "not of this gauge")
            continue
        left -= worth
        after = undone(hand.curve, left)
        # The saturation pressure's formula is another one here, 1e-5 apart.
        assert term.delta == pytest.approx(worth, rel=1e-4, abs=2e-9)
        assert term.um_m == pytest.approx((before - after) * 1e6, rel=1e-4, abs=1e-4)
        assert term.left_um_m == pytest.approx(after * 1e6, rel=1e-5, abs=1e-3)
        before = after
    assert found.row["mechanical"] == pytest.approx(undone(hand.curve, hand.load) * 1e6, abs=1e-3)


def test_the_budget_of_a_printed_reading_by_hand() -> None:
    """Curve, thermometer, creep and ageing since the zero, over the bent curve's tangent."""
    found, hand = printed_account(), PrintedByHand()
    strain = undone(hand.curve, hand.load)
    tangent = (20.0 - 3000.0 * strain - 2.7e6 * strain**2) * hand.gain
    output_slope = -4e-6 - 3e-8  # A' at c = -1 less that at the zero, 20 °C
    above = hand.moisture[2] - 0.5
    in_delta = {
        "curve": hand.gain * math.sqrt(1e-3 * strain**2 + strain**4 + 1e3 * strain**6),
        "temperature": 0.2 * (output_slope - 8e-4 * hand.load_shown),
        "creep": hand.gain * math.hypot(0.005 * hand.states[0], 0.01 * hand.states[1]),
        "ageing": 5e-5 * math.log(1.0 + 1800.0 / (365.25 * 86400.0)),
        "zero": 2e-6,
        "sensitivity": 1e-4 * 1.0 * hand.load_shown,
        "thermal_output": 0.05 * hand.output(19.0),
        "moisture_output": 0.1 * (4e-3 * above + 1e-3 * above**2),
    }
    assert found.budget is not None
    shares = {share.name: share.u for share in found.budget.shares}

    assert shares.keys() == in_delta.keys() | {"moisture"}
    for name, u in in_delta.items():
        assert shares[name] == pytest.approx(abs(u) / tangent * 1e6, rel=1e-4), name


@pytest.mark.parametrize("point", ["P-F1", "P-C1", "P-C2", "P-C3", "P-B1", "P-T1"])
def test_every_account_is_of_the_row_that_the_window_gives(point: str) -> None:
    """Of any reading of any gauge: the row is that of the whole window, the terms close on δ, the
    shares are 1 and the budget is the row's own u."""
    day, plan = busy_day(), everything()
    whole, _ = run_chain(day, initial_state(plan), plan)
    codes, names = whole.point_codes()
    times = whole.column("time").astype(np.int64)[codes == names.index(point)]
    for at_us in times[::97].tolist():
        moment = moment_of(day, ChainState(), plan, point, at_us)
        row = row_at(whole, point, at_us)
        assert moment is not None
        assert row is not None
        found = account_of(moment)

        assert differences(moment.row, row) == {}
        if found.budget is None:
            assert row["value"] is None
            continue
        assert found.budget.u == pytest.approx(row["u"], rel=1e-9)
        assert sum(s.share for s in found.budget.shares) == pytest.approx(1.0, rel=1e-9)
        model = moment.segment.strain
        if model is not None:
            taken = sum(t.delta for t in found.terms if t.delta is not None)
            rest = float(model.curve.delta(moment.block["strain"][-1]))
            assert taken + rest == pytest.approx(moment.column("delta"), rel=1e-9, abs=1e-12)


def test_a_bare_film_yields_total_and_its_expansion_is_apart() -> None:
    """Of thermal_output only A(T) is of δ: 12·(24 - 20) µm/m are the structure's, and every term
    still closes on δ through the bent curve. A temperature of the reading's own time is used."""
    bare = FILM_OUTPUT.model_copy(update={"yields": "total"})
    sheet = calibration("full", CUBIC, temperature=bare)
    gauge = film(humidity_channel=None, air_temperature_channel=None, leakage_ohm=None)
    read = readings({"C1": ([120.0], [10_080.0]), "ts": ([60.0, 120.0], [10.0, 24.0])})
    found = account(structure((gauge,), (zero("C1", 0.0),), (sheet,)), read, "P-C1", 120.0)
    hand, terms = PrintedByHand(), {term.name: term for term in found.terms}
    strain, total = (float(found.row[name] or 0.0) for name in ("mechanical", "total"))
    taken = sum(term.delta for term in found.terms if term.delta is not None)

    assert terms["thermal_output"].delta == pytest.approx(hand.output(24.0), rel=1e-9)
    assert terms["thermal_output"].note == "of it expansion +48.000 µm/m, which is not of δ"
    assert terms["zero"].delta == pytest.approx(3e-4, rel=1e-9)
    assert total - strain == pytest.approx(48.0, rel=1e-12)
    assert taken + hand.curve(total * 1e-6) == pytest.approx(
        values(found.signal)["delta"], rel=1e-9
    )
    assert found.terms[-1].left_um_m == pytest.approx(strain, rel=1e-12)
    assert found.climate[0].note == "ts, 0 s old, limit 900 s"


def test_an_open_circuit_is_told_and_has_no_budget() -> None:
    """A failed reading keeps its raw value and names the fault; nothing is made up behind it."""
    read = readings({"F1": ([60.0, 120.0], [1.5e-4, 0.5]), "ts": ([100.0], [31.0])})
    found = account(structure((foil(),), (), (FOIL,)), read, "P-F1", 120.0)

    assert found.row["value"] is None
    assert (found.budget, found.terms, found.strains) == (None, (), ())
    assert [f.test for f in found.findings if f.flag == 4] == ["open_circuit"]
    assert found.signal[-1] == Quantity(
        "delta", "δ = ΔR/R0", None, "", "the reading is an electrical fault"
    )


def test_what_was_not_taken_off_is_said_with_its_reason() -> None:
    """A temperature that is too old, and no zero yet: both stand in the account."""
    read = readings({"F1": ([60.0, 1120.0], [1.5e-4, 1.2e-3]), "ts": ([100.0], [31.0])})
    found = account(structure((foil(),), (), (FOIL,)), read, "P-F1", 1120.0)
    notes = {term.name: term.note for term in found.terms if term.um_m is None}

    assert notes["thermal_output"] == "NOT TAKEN OFF: what it needs was missing"
    assert notes["zero"] == "no zero yet: relative only"
    assert found.climate[0].value is None
    assert found.climate[0].note == "ts, 1020 s old, limit 900 s: TOO OLD, NOT USED"
    assert {"uncompensated", "relative_only"} <= {f.test for f in found.findings}


def test_a_companion_stands_in_for_the_climate() -> None:
    """Its δ and age are told, and why the other terms are absent."""
    pair = (
        placement("C2", compensation="companion", companion="K2"),
        placement("K2", compensation="model"),
    )
    read = readings(
        {
            "C2": ([60.0, 120.0], [10_000.0, 10_050.0]),
            "K2": ([110.0], [10_020.0]),
            "ts": ([100.0], [20.0]),
        }
    )
    installed = structure(pair, (zero("C2", 0.0),), (HAND,))
    found = account(installed, read, "P-C2", 120.0)
    notes = {term.name: term.note for term in found.terms if term.um_m is None}

    assert values(found.climate)["companion_delta"] == pytest.approx(2e-3, rel=1e-12)
    assert found.climate[-1].note == "K2, 10 s old"
    assert notes["moisture"] == notes["thermal_output"] == "taken off with the companion"


def test_a_linear_sensor_by_hand() -> None:
    """0.5·(1.3 - 0.3) = 0.5, u = √((0.001·1)² + (0.5·0.02)²)."""
    gauge = placement("T1", wiring="linear", calibration="tilt", unstrained=0.3, unstrained_u=0.02)
    installed = structure((gauge,), (), (TILT,), points={"P-T1": {"quantity": "tilt"}})
    found = account(installed, readings({"T1": ([60.0], [1.3])}), "P-T1", 60.0)

    assert values(found.signal) == {"unstrained": 0.3, "scale": 0.5, "value": 0.5}
    assert found.budget is not None
    assert found.budget.u == pytest.approx(math.hypot(0.001, 0.01), rel=1e-12)
    assert [s.name for s in found.budget.shares] == ["unstrained", "scale"]


def test_a_time_without_a_reading_has_no_moment() -> None:
    """Nothing is explained that was not measured."""
    read = readings({"F1": ([60.0], [1.5e-4])})
    plan = compile_plan(structure((foil(),), (), (FOIL,)))

    assert moment_of(read, ChainState(), plan, "P-F1", START_US + 61_000_000) is None
    assert moment_of(read, ChainState(), plan, "P-XX", START_US + 60_000_000) is None


def test_an_account_is_plain_data() -> None:
    """JSON takes it as it is, but for the row, which is a mapping already."""
    facts = asdict(foil_account())

    assert facts["terms"][0].keys() == {"name", "delta", "um_m", "left_um_m", "note"}
    assert facts["row"]["quantity"] == "strain"
