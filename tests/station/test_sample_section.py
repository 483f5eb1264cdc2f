"""
The example's section on recorded streams: its plane against the simulated truth of its points.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.blocks import TEST_BIT, Results
from pipeline.derive.chain import initial_state, run_chain
from pipeline.site.read import read_site
from pipeline.station.machine import compile_setup
from tests.derive.derived import Floats, column
from tests.replaying import ROOT
from tests.streams import FOLDER, readings_of, recorded

pytestmark = pytest.mark.slow

SECTION = "qd-g1-s1-section"
BOTTOM_Z, TOP_Z, REFERENCE_Z = -1.45, -0.18, -0.32
STIFFNESS = 210e6 * 0.03 * 1e-6
"""E·I in kN·m² per µm/m² of curvature, the scenario's own."""
NAMES = ("load-test", "quiet-day", "heat-wave")


def results_of(name: str) -> Results:
    """The whole stream through the chain as one window."""
    site = read_site(ROOT / "config" / "quillmere")
    deck = next(one for one in site.structures if one.id == "quill-deck")
    setup = compile_setup(site, deck)
    stream = readings_of(recorded(name), setup)
    return run_chain(stream, initial_state(setup.plan), setup.plan)[0]


def truth_of(name: str) -> pd.DataFrame:
    """Axial strain, curvature and moment by the truth of the top and bottom points, by time."""
    rows = pd.read_csv(FOLDER / name / "truth.csv.gz", parse_dates=["time"])
    strain = rows.pivot(index="time", columns="point", values="mechanical")
    bottom, top = strain["qd-g1-s1-bot"], strain["qd-g1-s1-top"]
    curvature = (top - bottom) / (TOP_Z - BOTTOM_Z)
    return pd.DataFrame(
        {
            "axial_strain": bottom + curvature * (REFERENCE_Z - BOTTOM_Z),
            "curvature_y": curvature,
            "moment_y": curvature * STIFFNESS,
        }
    )


@pytest.mark.parametrize("name", NAMES)
def test_the_stated_interval_holds_the_true_plane(name: str) -> None:
    """At least 95 % of axial strains, curvatures and moments lie within 2u of the truth."""
    results, truth = results_of(name), truth_of(name)
    time = column(results, SECTION, "curvature_y", "time")
    at = pd.to_datetime(time.astype(np.int64), unit="us", utc=True)
    for quantity in ("axial_strain", "curvature_y", "moment_y"):
        value, u = (_series(results, quantity, key, at) for key in ("value", "u"))
        both = pd.DataFrame({"value": value, "u": u, "true": truth[quantity]}).dropna()

        assert len(both) > 30
        assert (np.abs(both["value"] - both["true"]) <= 2.0 * both["u"]).mean() >= 0.95, quantity


def _series(results: Results, quantity: str, key: str, at: pd.DatetimeIndex) -> pd.Series:
    return pd.Series(column(results, SECTION, quantity, key), index=at)


@pytest.mark.parametrize("name", NAMES)
def test_a_sound_section_stays_plane(name: str) -> None:
    """The girder of the scenario is plane: at most the stated 0.1 % of rows says otherwise."""
    results = results_of(name)
    tests: Floats = column(results, SECTION, "curvature_y", "tests")

    assert np.mean(tests.astype(int) & TEST_BIT["neighbour"] != 0) <= 0.001


def test_the_load_test_bends_it() -> None:
    """What the section is held against has real bending in it: tension below, M_y below 0."""
    assert truth_of("load-test")["moment_y"].min() < -500.0
