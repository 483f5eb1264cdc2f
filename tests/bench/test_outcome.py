"""
A whole folder: runs, chamber, hold and rest end in one calibration that a site takes.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.climate_pictures import climate_pictures
from pipeline.bench.outcome import Outcome, calibrate_folder
from pipeline.bench.report import report_html
from pipeline.errors import ConfigError
from pipeline.site.files import read_files
from pipeline.site.parts import read_parts
from pipeline.site.read import read_site
from tests.bench import chamber_truth, hold_truth
from tests.bench.benches import SHEET, BenchPlan, write_bench, write_table
from tests.site.examples import write_example_site

pytestmark = pytest.mark.slow
AT_REFERENCE = SHEET.replace("reference_temperature_c = 22.0", "reference_temperature_c = 20.0")
AT_REFERENCE = AT_REFERENCE.replace("reference_humidity_rh = 45.0", "reference_humidity_rh = 50.0")
CHAMBER = '\n[chamber]\nyields = "mechanical"\nexpansion_1e6_per_k = 12.0\n'


def whole_folder(folder: Path) -> Path:
    """A bench whose gauges creep and warm while they are loaded, with chamber, hold and rest."""
    random = np.random.default_rng(3)
    held = hold_truth.Lot()
    lot = replace(chamber_truth.Lot(), creep=held.creep)
    films = [chamber_truth.drawn(lot, random) for _ in range(3)]
    plan = BenchPlan(creep=held.creep, hysteresis=0.0, warming_k=1.5, bench_c=20.0)
    write_bench(folder, plan, AT_REFERENCE + CHAMBER)
    climate = chamber_truth.measured(lot, films, chamber_truth.whole(), random)
    write_table(folder, "chamber.csv", climate)
    write_table(folder, "hold.csv", hold_truth.hold(held, [1.0, 1.05, 0.96], random))
    write_table(folder, "rest.csv", hold_truth.rest(held, [1.0e-4, 1.2e-4, 1.5e-4], random))
    return folder


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The outcome of the whole folder."""
    return calibrate_folder(whole_folder(tmp_path_factory.mktemp("bench") / "pc-40"))


def test_every_table_is_in_the_calibration(whole: Outcome) -> None:
    """A(T), H(w), creep and ageing near the truth that the tables were made from."""
    one = whole.calibration

    assert one.temperature is not None
    assert one.temperature.output[0] == pytest.approx(4.1e-4, rel=0.05)
    assert one.moisture is not None
    assert one.moisture.time_constant_s == pytest.approx(9000.0, rel=0.1)
    assert sum(c.fraction for c in one.creep) == pytest.approx(0.030, rel=0.1)
    assert one.ageing is not None


def test_warming_and_creep_are_not_in_the_curve(whole: Outcome) -> None:
    """
    Without them the mean factor of the three gauges at 1000 µm/m is 19.9: within 0.3 %.

    Left in, 1.5 K of warming alone would move δ by 6e-4, which is 3 % of full scale.
    """
    assert whole.figures.factor == pytest.approx(19.9 * (1.012 + 0.985 + 1.003) / 3, rel=3e-3)
    assert not any("is in the curve" in remark for remark in whole.remarks)


def test_a_site_takes_it(tmp_path: Path, whole: Outcome) -> None:
    """Every check of a site passes the full calibration, and it reads back the same."""
    write_example_site(tmp_path)
    (tmp_path / "calibrations" / "whole.toml").write_text(whole.text, "utf-8")

    read_site(tmp_path)
    parts, _ = read_parts(tmp_path, read_files(tmp_path)[0])

    assert whole.calibration in [calibration.item for calibration in parts.calibrations]


def test_the_report_has_a_page_of_the_climate(whole: Outcome) -> None:
    """Chamber, thermal output, hold and rest are drawn; every estimate has its row."""
    text = report_html(whole, (), "0")

    assert len(climate_pictures(whole)) == 5
    assert "Climate, creep and ageing" in text
    assert "yields <b>mechanical</b> strain" in text


def test_a_chamber_without_its_table_is_refused(tmp_path: Path) -> None:
    """chamber.csv cannot say on which material it was run."""
    folder = whole_folder(tmp_path / "pc-40")
    (folder / "bench.toml").write_text(AT_REFERENCE, "utf-8")

    with pytest.raises(ConfigError) as caught:
        calibrate_folder(folder)

    assert "no table [chamber]" in str(caught.value)
    assert "the coupon's expansion" in str(caught.value)


def test_a_data_sheet_stands_in_for_the_chamber(tmp_path: Path) -> None:
    """[sheet] of a foil lot becomes the temperature table, at the reference temperature."""
    sheet = AT_REFERENCE + (
        "\n[sheet]\noutput_um_m = [-0.9, -0.02]\nfactor = 2.0\nexpansion_1e6_per_k = 11.0\n"
        'yields = "mechanical"\nrange_c = [-20.0, 80.0]\nabout_c = 20.0\nu_um_m_per_k = 0.15\n'
    )

    one = calibrate_folder(write_bench(tmp_path / "b", BenchPlan(), sheet)).calibration

    assert one.temperature is not None
    assert one.temperature.output_um_m == pytest.approx((-0.9, -0.02))
    assert one.temperature.output_factor == 2.0
