"""
Seams of the plan, what is in force in each segment, and what is refused.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from pipeline.derive.gauges import NEVER, Gauge, Plan, StrainModel, microseconds
from pipeline.derive.plan import compile_plan
from pipeline.errors import ConfigError
from pipeline.site.models import Calibration, Placement
from tests.derive.examples import (
    AGEING,
    BENT,
    CUBIC,
    DAMP,
    FILM_OUTPUT,
    FOIL,
    FULL,
    LINE,
    START,
    START_US,
    calibration,
    film,
    foil,
    placement,
    structure,
    zero,
)

HOUR = 3_600_000_000


def only(*placements: Placement, **parts: Any) -> Gauge:
    """The one gauge of a structure."""
    (gauge,) = compile_plan(structure(placements, **parts)).gauges
    return gauge


def model(gauge: Gauge, segment: int = 0) -> StrainModel:
    """Of a strain gauge's segment."""
    found = gauge.segments[segment].strain

    assert found is not None
    return found


def test_gauge_that_nothing_changes_is_one_segment_until_its_calibration_expires() -> None:
    """A placement without end has a seam where the calibration runs out, and goes on."""
    gauge = only(foil())

    assert [s.start_us for s in gauge.segments] == [START_US, microseconds(FOIL.expires)]
    assert [s.is_expired for s in gauge.segments] == [False, True]
    assert gauge.segments[-1].end_us == NEVER


def test_seams_lie_at_zeros_calibrations_and_ends() -> None:
    """Every change inside a placement is a seam; what is outside is not."""
    newer = FOIL.model_copy(update={"valid_from": START + timedelta(hours=5)})
    gauge = only(
        foil(valid_to=START + timedelta(hours=9)),
        calibrations=(FOIL, newer),
        zeros=(zero("F1", 2.0), zero("F1", -2.0), zero("F1", 11.0), zero("X", 3.0)),
    )

    edges = [(s.start_us - START_US) / HOUR for s in gauge.segments]
    assert edges == [0.0, 2.0, 5.0]
    assert gauge.segments[-1].end_us == START_US + 9 * HOUR


def test_zero_in_force_is_the_last_begun_since_the_gauge_was_bonded() -> None:
    """One from before the bonding does not count; of two at one time the later recorded does."""
    zeros = (
        zero("F1", -1.0, offset_delta=9.0),
        zero("F1", 2.0, offset_delta=2e-4, recorded=START + timedelta(hours=9)),
        zero("F1", 2.0, offset_delta=1e-4),
        zero("F1", 4.0, offset_delta=4e-4),
    )
    gauge = only(foil(), zeros=zeros)
    offsets = [z.offset if (z := model(gauge, i).zero) else None for i in range(3)]

    assert offsets == [None, 2e-4, 4e-4]
    assert model(gauge, 0).thermal.zero_c == 23.0
    assert model(gauge, 1).thermal.zero_c == 20.0


def test_calibration_in_force_follows_its_dates_and_the_later_record_wins() -> None:
    """A corrected calibration with the same valid_from replaces the one recorded before it."""
    corrected = calibration(
        "foil", CUBIC, recorded=START + timedelta(days=1), valid_from=FOIL.valid_from
    )
    later = calibration("foil", BENT, valid_from=START + timedelta(hours=3))
    gauge = only(foil(), calibrations=(later, corrected, FOIL))

    assert model(gauge, 0).curve.slope(0.0) == pytest.approx(20.0)
    assert model(gauge, 1).spread.knots is not None


def test_before_its_first_calibration_a_gauge_uses_it_and_is_flagged() -> None:
    """A reading is still converted, never dropped."""
    late = FOIL.model_copy(update={"valid_from": START + timedelta(hours=3)})
    gauge = only(foil(), calibrations=(late,))

    assert [s.is_expired for s in gauge.segments] == [True, False, True]


def test_two_rows_of_one_gauge_are_one_gauge_whose_age_counts_from_the_first() -> None:
    """A new row for another calibration does not glue the gauge again."""
    swap = START + timedelta(days=2)
    gauge = only(
        film(valid_to=swap),
        film(valid_from=swap, calibration="film"),
        calibrations=(
            FULL,
            FULL.model_copy(update={"id": "film"}),
        ),
    )
    ageing = model(gauge, 1).ageing

    assert ageing is not None
    assert ageing.start_us == START_US
    assert gauge.segments[0].end_us == gauge.segments[1].start_us


def test_unstrained_value_is_reduced_to_the_reference_climate() -> None:
    """By hand: A(17) = -3·1.5e-4 + 9·2e-6 + 27e-8, H(0.62) = 0.12·4e-3 + 0.0144e-3."""
    signal = only(film()).segments[0].signal

    assert signal is not None
    expected = 1.0 - 4.5e-4 + 1.8e-5 + 2.7e-7 + 4.8e-4 + 1.44e-5
    assert signal.reduction == pytest.approx(expected, rel=1e-12)


def test_batch_spread_counts_only_for_a_gauge_that_was_not_on_the_bench() -> None:
    """A batch calibration adds s_L·sqrt(1 + 1/n), a gauge's own none: 0.02·sqrt(4/3) by hand."""
    own = FULL.model_copy(update={"serial": "C1", "batch": None})

    assert model(only(film())).spread.between == pytest.approx(0.0230940108)
    assert model(only(film())).spread.between_freedom == 2.0
    assert model(only(film(), calibrations=(own,))).spread.between == 0.0


def test_channels_beside_a_companion_are_joined_even_where_it_is_no_gauge_of_the_plan() -> None:
    """A plan of one gauge alone, as a zero is solved in, still reads its companion whole."""
    beside = {"wiring": "impedance", "unstrained": 300e3, "imaginary_channel": "K1-im"}
    pair = (
        placement("C1", compensation="companion", companion="K1"),
        placement("K1", **beside),
    )
    whole = compile_plan(structure(pair, beside=("K1-im",)))
    alone = Plan(tuple(gauge for gauge in whole.gauges if gauge.serial == "C1"))

    assert alone.joined_channels >= {"K1", "K1-im", "ts"}


ARMS: dict[str, Any] = {"wiring": "half_bending", "unstrained": 0.0, "leakage_ohm": None}
TENSION = LINE.model_copy(update={"range_um_m": (0.0, 3000.0)})


def test_several_arms_have_climate_and_ageing_in_common() -> None:
    """A, H and ageing are kept as what the arms share, and come off nowhere else; c_k stays."""
    sheet = calibration("full", LINE, temperature=FILM_OUTPUT, moisture=DAMP, ageing=AGEING)
    gauge = model(only(film(**ARMS), calibrations=(sheet,)))

    assert gauge.thermal.output == ()
    assert gauge.ageing is None
    assert gauge.shared is not None
    assert gauge.shared.output == FILM_OUTPUT.output
    assert gauge.shared.ageing is not None
    assert gauge.thermal.factor_per_k == -8e-4
    assert gauge.thermal.is_needed


def test_arms_whose_film_was_measured_bare_share_the_structures_expansion_too() -> None:
    """By hand: A' = 1.5e-4/K of the bare film and 2.1·12e-6/K of the steel, in every arm."""
    bare = FILM_OUTPUT.model_copy(update={"yields": "total"})
    sheet = calibration("full", LINE, temperature=bare)
    gauge = model(only(film(**ARMS), calibrations=(sheet,)))

    assert gauge.shared is not None
    assert gauge.shared.output[0] == pytest.approx(1.752e-4, rel=1e-12)
    assert not gauge.thermal.is_total


def test_arms_without_a_model_share_nothing() -> None:
    """With `none` neither c_k nor climate is used, and no temperature is needed."""
    sheet = calibration("full", LINE, temperature=FILM_OUTPUT, moisture=DAMP, ageing=AGEING)
    none = {"compensation": "none", "compensation_reason": "the arms have it in common"}
    gauge = model(only(film(**ARMS, **none), calibrations=(sheet,)))

    assert gauge.shared is not None
    assert gauge.shared.output == ()
    assert gauge.shared.ageing is None
    assert gauge.film is None
    assert not gauge.thermal.is_needed


@pytest.mark.parametrize(
    ("sheet", "message"),
    [
        (calibration("full", BENT, serial="C1", batch=None), "a bent curve of one gauge"),
        (calibration("full", TENSION), "a range from 0 to 3000 µm/m"),
    ],
)
def test_arms_whose_curves_are_not_known_are_refused(sheet: Calibration, message: str) -> None:
    """A curve of one gauge says nothing of the others, one of tension nothing of compression."""
    with pytest.raises(ConfigError) as refused:
        only(film(**ARMS), calibrations=(sheet,))

    assert message in str(refused.value)
    assert "wire each gauge as a quarter bridge" in str(refused.value)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"unstrained": None}, "no unstrained value"),
        ({"unstrained": -5.0}, "a value that a whole gauge can give"),
        ({"calibration": "none such"}, 'calibration "none such"'),
        ({"calibration": "tilt"}, "no curve"),
        ({"wiring": "full_bending", "unstrained": 0.0}, "leakage_ohm with wiring full_bending"),
        ({"lead_ohm": 1.0}, "lead_ohm with wiring resistance_4wire"),
        ({**ARMS, "lead_ohm": 1.0}, "without nominal_ohm"),
        ({**ARMS, "meter_ohm": 1e7}, "without nominal_ohm"),
        ({"wiring": "divider", "unstrained": 0.5}, "no reference_ohm with wiring divider"),
        (
            {"wiring": "divider", "unstrained": 1.5, "reference_ohm": 1e4},
            "a value that a whole gauge can give",
        ),
        ({"meter_ohm": 9e3}, "a value that a whole gauge can give"),
        ({"wiring": "impedance"}, "no imaginary_channel with wiring impedance"),
        ({"wiring": "impedance", "imaginary_channel": "none"}, 'imaginary_channel "none"'),
        ({"lead_temperature_channel": "ts"}, "no lead_temperature_c"),
        ({"shunt_channel": "C1-shunt", "shunt_ohm": 1e6}, "without shunt_ohm or shunt_point"),
        (
            {"shunt_channel": "none", "shunt_ohm": 1e6, "shunt_point": "P-C1"},
            'shunt_channel "none"',
        ),
        (
            {"shunt_channel": "ts", "shunt_ohm": 1e6, "shunt_point": "none"},
            'shunt_point "none"',
        ),
        ({"wiring": "quarter_2wire", "unstrained": 0.0}, "without nominal_ohm"),
        ({"wiring": "quarter_2wire", "unstrained": 0.6, "nominal_ohm": 1.0}, "ratio in V/V"),
        ({"wiring": "half_poisson", "unstrained": 0.0, "leakage_ohm": None}, "no poisson"),
        ({"wiring": "linear"}, "without a scale"),
    ],
)
def test_what_the_chain_cannot_work_with_is_refused(changes: dict[str, Any], message: str) -> None:
    """A missing piece is refused by name, never skipped."""
    with pytest.raises(ConfigError) as refused:
        only(film(**changes))

    assert message in str(refused.value)
    assert 'gauge "C1" at point "P-C1"' in str(refused.value)


@pytest.mark.parametrize("missing", ["points", "channels"])
def test_unknown_point_and_channel_are_refused(missing: str) -> None:
    """So that a gap in the tables cannot end in a look-up error while readings come."""
    whole = structure((foil(),))
    with pytest.raises(ConfigError) as refused:
        compile_plan(whole.model_copy(update={missing: ()}))

    assert f"a {missing[:-1]} of {missing}.csv" in str(refused.value)


def test_covariance_of_the_wrong_size_is_refused() -> None:
    """It must have a row for each coefficient."""
    wrong = calibration("full", LINE.model_copy(update={"covariance": ((1.0, 0.0), (0.0, 1.0))}))
    with pytest.raises(ConfigError) as refused:
        only(film(), calibrations=(wrong,))

    assert "a covariance of shape (2, 2)" in str(refused.value)


def test_every_mistake_is_told_at_once() -> None:
    """Two bad gauges, two mistakes."""
    bad = structure((placement("A", unstrained=None), placement("B", unstrained=None)))
    with pytest.raises(ConfigError) as refused:
        compile_plan(bad)

    assert len(refused.value.mistakes) == 2
