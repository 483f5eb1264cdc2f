"""
Figures that the checks quote are those of the published check values that lie beside the checkout.

Reads ../shared/reference, and skips where it is not there.
"""

from __future__ import annotations

import csv
from typing import Any

import pytest

from tests.checks import bridges, members, metrology, quality, senml
from tests.checks.strd_figures import (
    ANOVA,
    OBSERVED,
    PARAMETERS,
    RESIDUAL_FREEDOM,
    RESIDUAL_SD,
    STARTS,
    UNIVARIATE,
    grouped,
    observed,
)
from tests.physics.strd import FOLDER, reference


def table(name: str) -> list[dict[str, str]]:
    """Rows of a CSV file of the published check values."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip("../shared/reference is not beside this checkout")
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("name", OBSERVED)
def test_nist_sets_are_quoted_right(name: str) -> None:
    """Observations, starts and certified values."""
    there = reference(f"nist_strd/{name}.json")
    certified = there["certified"]

    if name in PARAMETERS:
        freedom = certified.get("df") or certified["anova"]["residual"]["df"]
        ours = [tuple(map(float, row[1:])) for row in PARAMETERS[name]]
        assert observed(name) == there["data"]
        assert ours == [(p["estimate"], p["std_dev"]) for p in certified["parameters"]]
        assert float(RESIDUAL_SD[name]) == certified["residual_std_dev"]
        assert RESIDUAL_FREEDOM[name] == freedom
    elif name in ANOVA:
        between, within = certified["between"], certified["within"]
        table_of = [between["ss"], within["ss"], between["ms"], within["ms"]]
        others = [certified[key] for key in ("f_statistic", "r_squared", "residual_std_dev")]
        assert grouped(name) == list(there["treatments"].values())
        assert list(map(float, ANOVA[name].values())) == [*table_of, *others]
    else:
        assert grouped(name) == [there["data"]]
        assert list(map(float, UNIVARIATE[name])) == list(certified.values())
    if name in STARTS:
        assert [list(start) for start in STARTS[name]] == [there["start_1"], there["start_2"]]


@pytest.mark.parametrize("material", metrology.GLUCOSE)
def test_glucose_is_quoted_right(material: str) -> None:
    """Observations, printed summary, h and k."""
    there = reference("metrology/astm_e691_glucose.json")["materials"][material]
    printed = [there["published"][key] for key in ("mean", "s_xbar", "s_r", "s_R")]
    h, k = (list(map(float, row.split())) for row in metrology.RECOMPUTED_H_K[material])

    assert [list(row) for row in metrology.GLUCOSE[material]] == list(
        there["laboratories"].values()
    )
    assert list(map(float, metrology.PRINTED[material])) == printed
    assert (h, k) == (there["recomputed"]["h"], there["recomputed"]["k"])


def test_thermometer_is_quoted_right() -> None:
    """Readings, printed figures and their recomputation."""
    there = reference("metrology/gum_h3_thermometer.json")
    keys = ("y1", "u_y1", "y2", "u_y2", "corr_y1_y2", "s_residual", "b_at_30", "u_b_at_30")
    figures = metrology.THERMOMETER.values()

    assert list(metrology.READING) == there["reading_t"]
    assert list(metrology.CORRECTION) == there["correction_b"]
    assert [float(one[0]) for one in figures] == [there["published"][key] for key in keys]
    assert [float(one[1]) for one in figures] == [there["recomputed"][key] for key in keys]
    assert float(metrology.WITH_COMMON) == there["systematic_case_H36"]["u_y1"]


def test_bridges_are_quoted_right() -> None:
    """Both bridge tables row by row, leads and shunts."""
    quarter = {
        (factor, strain): output
        for factor, rows in bridges.QUARTER.items()
        for strain, output in rows.items()
    }
    several = {
        (wiring, strain): float(output)
        for wiring, rows in bridges.SEVERAL.items()
        for strain, output in rows.items()
    }
    there = reference("strain/lead_wire_and_shunt.json")
    keys = ("gauge_ohm", "lead_ohm_each", "gauge_factor", "strain")
    further = ("indicated_strain_if_ignored", "effective_gauge_factor")

    assert quarter == {
        (float(row["gauge_factor"]), int(row["strain_microstrain"])): float(
            row["ratio_exact_mV_per_V"]
        )
        for row in table("strain/bridge_quarter.csv")
    }
    assert several == {
        (row["configuration"], int(row["strain_microstrain"])): float(row["ratio_exact_mV_per_V"])
        for row in table("strain/bridge_half_full_small.csv")
    }
    assert [tuple(float(cell) for cell in row) for row in bridges.LEADS] == [
        tuple(one[key] for key in (*keys, *further)) for one in there["lead_wire"]
    ]
    assert list(bridges.SHUNTS) == [(one["gauge_ohm"], one["shunt_ohm"]) for one in there["shunt"]]
    assert {one["ratio_exact_mV_per_V"] for one in there["shunt"]} == {float(bridges.SHUNT_OUTPUT)}


def test_rosettes_are_quoted_right() -> None:
    """Printed and recomputed figures; the angle is told of the other principal direction."""
    there = reference("strain/rosettes.json")
    delta, tensor = there["cases"][0], there["tensor_cases"][0]
    named = {
        "ε_x": "eps_x",
        "ε_y": "eps_y",
        "γ_xy": "gamma_xy",
        "ε_1": "eps_1",
        "ε_2": "eps_2",
        "σ_1": "sigma_1_MPa",
        "σ_2": "sigma_2_MPa",
        "angle of ε_2": "angle_eps_2_deg",
        "σ_y": "sigma_y_MPa",
        "τ_xy": "tau_xy_MPa",
        "tan 2φ": "tan_2theta",
        "φ": "angle_to_eps_1_deg",
    }
    turned = 90.0 + delta["recomputed"]["angle_to_eps_1_deg_from_gauge_a"]
    delta["recomputed"]["angle_eps_2_deg"] = pytest.approx(turned, abs=1e-9)

    assert list(members.DELTA_READINGS) == delta["readings_microstrain"]
    for case, figures in ((delta, members.DELTA_PRINTED), (tensor, members.TENSOR_PRINTED)):
        for what, (printed, again, _) in dict[str, Any](figures).items():
            if printed is not None:
                assert float(printed) == case["published"][named[what]]
            if again is not None:
                assert float(again) == case["recomputed"][named[what]]
    assert float(members.DELTA_SHEAR) == delta["recomputed"]["gamma_max_in_plane"]


def test_cantilever_is_quoted_right() -> None:
    """Load, arm, section and modulus, and what comes of them."""
    (one,) = reference("strain/cantilever.json")["cases"]
    keys = ("load_N", "distance_load_to_gauge_m", "width_m", "thickness_m", "E_Pa")

    assert tuple(one[key] for key in keys) == members.CANTILEVER
    assert one["surface_strain"] == float(members.CANTILEVER_STRAIN)
    assert one["surface_stress_Pa"] == float(members.CANTILEVER_STRESS) * 1e6


def test_expansion_is_quoted_right() -> None:
    """Free thermal strain of steel and concrete, restrained stress of steel."""
    steel, concrete, restrained = reference("strain/gauge_factor_definition.json")["worked"]

    for one, (_, alpha, change, printed) in zip((steel, concrete), members.EXPANSIONS, strict=True):
        assert one["alpha_specimen"] == pytest.approx(alpha * 1e-6)
        assert one["delta_T"] == change
        assert one["free_thermal_strain"] == pytest.approx(float(printed) * 1e-6)
    assert restrained["delta_T"] == members.RESTRAINED_K
    assert restrained["fully_restrained_stress_Pa"] == float(members.RESTRAINED_STRESS) * 1e6


def test_quality_cases_are_quoted_right() -> None:
    """Values and flags of every case that is used."""
    there = reference("quality_flags/qartod_flags.json")["cases"]

    for test, cases in quality.CASES.items():
        ours = [(list(series), list(map(int, flags))) for _, series, flags in cases]
        stated = [one for one in there if one["test"] == test]
        assert ours == [(one["input"], one["flags"]) for one in stated]
        for (limits, _, _), one in zip(cases, stated, strict=True):
            spelt = ("suspect_threshold", "threshold_per_s", "suspect_s", "tolerance")
            named = [one[key] for key in spelt if key in one]
            assert list(limits.values()) == one.get("suspect_span", named)
            assert one.get("step_s", 60) == 60


def test_senml_packs_are_quoted_right() -> None:
    """The packs of the RFC, and the records of the one with a base unit."""
    there = {one["id"]: one for one in reference("senml/rfc8428_examples.json")["examples"]}
    rows = table("senml/senml_secondary_units.csv")
    refused = [there[key]["pack"] for key in ("single", "multi_now", "data_types")]
    resolved = [
        (one["u"], one["t"] - senml.BASE, one["v"]) for one in there["measurements"]["resolved"]
    ]

    assert list(senml.REFUSED.values()) == refused
    assert senml.measured_pack() == there["measurements"]["pack"]
    assert list(senml.MEASURED) == resolved
    assert [one.split() for one in senml.TABLE_2.replace("\n", " ").split(",")] == [
        [
            row["secondary_unit"],
            row["primary_unit"],
            row["scale"]
            .replace("1e9", "1000000000")
            .replace("1e-9", "1/1000000000")
            .replace("1e-6", "1/1000000"),
            row["offset"],
        ]
        for row in rows
    ]
