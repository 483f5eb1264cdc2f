"""
Bench data as they go wrong on a bench, each told with its row and the remedy.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.bench.reading import read_bench, read_texts
from pipeline.errors import ConfigError
from tests.bench.benches import BenchPlan, Gauge, Rows, bench_rows, write_bench

PLAN = BenchPlan(hold_s=0.0)
# Rows of the table in order: 13 a run, 3 runs a gauge, header in line 1. Row 0 is line 2.
A_RUN, A_GAUGE = 13, 39


def told(folder: Path, rows: Rows, plan: BenchPlan = PLAN) -> str:
    """The error that these rows give."""
    write_bench(folder, plan, rows=rows)
    with pytest.raises(ConfigError) as caught:
        read_bench(folder, read_texts(folder))
    return str(caught.value)


def changed(change: Callable[[Rows], object]) -> Rows:
    """Sound rows after a change."""
    rows = bench_rows(PLAN)
    change(rows)
    return rows


def swap(rows: Rows, first: int, second: int, column: str) -> None:
    """Exchange two cells of a column."""
    rows[first][column], rows[second][column] = rows[second][column], rows[first][column]


def swap_columns(rows: Rows, first: str, second: str) -> None:
    """Exchange two whole columns."""
    for row in rows:
        row[first], row[second] = row[second], row[first]


def times(rows: Rows, column: str, factor: float) -> None:
    """Another unit in a whole column."""
    for row in rows:
        row[column] = repr(float(row[column]) * factor)


def test_sound_rows_are_read(tmp_path: Path) -> None:
    """What every test below spoils is without mistakes."""
    write_bench(tmp_path, PLAN)

    bench = read_bench(tmp_path, read_texts(tmp_path))

    assert bench.serials == ("PC-40-01", "PC-40-02", "PC-40-03")
    assert len(bench.reference) == 3


def test_a_missing_step_is_told_where_it_is_missing(tmp_path: Path) -> None:
    """Without the row of line 6, step 5 follows step 3."""
    text = told(tmp_path, changed(lambda rows: rows.pop(4)))

    assert "line 6" in text
    assert "step 5 after step 3" in text
    assert "Add the missing row" in text


def test_a_step_missing_without_a_gap_in_the_numbers_is_told(tmp_path: Path) -> None:
    """Numbered through, but one load of the plan was never put on in this run."""

    def spoil(rows: Rows) -> None:
        rows.pop(4)
        for row in rows[4 : A_RUN - 1]:
            row["step"] = str(int(row["step"]) - 1)

    text = told(tmp_path, changed(spoil))

    assert "no step up at 19.62 N in run 1" in text
    assert "as in the other 2 runs" in text


def test_a_row_twice_is_told(tmp_path: Path) -> None:
    """The second one is named, with where the first stands."""
    text = told(tmp_path, changed(lambda rows: rows.insert(3, dict(rows[2]))))

    assert "line 5" in text
    assert "a second time" in text
    assert "line 4" in text
    assert "Take one of the rows out" in text


def test_steps_numbered_anew_for_unloading_are_told(tmp_path: Path) -> None:
    """Unloading counts on; a number that comes again would mix the branches."""

    def spoil(rows: Rows) -> None:
        for row in rows:
            if row["direction"] == "down":
                row["step"] = str(12 - int(row["step"]))

    assert "down after up" in told(tmp_path, changed(spoil))


def test_no_zero_at_the_start_is_told(tmp_path: Path) -> None:
    """δ counts from the run's own zero."""

    def spoil(rows: Rows) -> None:
        rows.pop(0)

    text = told(tmp_path, changed(spoil))

    assert "line 2" in text
    assert "a reading at zero load" in text


def test_two_loads_exchanged_in_the_table_are_told(tmp_path: Path) -> None:
    """The load falls while it is put on: line 6 after line 5."""
    text = told(tmp_path, changed(lambda rows: swap(rows, 3, 4, "mass_kg")))

    assert "line 6" in text
    assert "1.5 kg, up, after 2 kg" in text
    assert "Two loads look exchanged" in text


def test_two_loads_exchanged_on_the_bench_are_told(tmp_path: Path) -> None:
    """The table follows the plan and the readings do not: both rows are named."""
    text = told(tmp_path, changed(lambda rows: swap(rows, 2, 4, "resistance_ohm")))

    assert "line 4" in text
    assert "line 6" in text
    assert "Two loads look exchanged" in text


def test_temperature_and_humidity_swapped_are_told(tmp_path: Path) -> None:
    """45 °C is no room; 22 %RH in the other column gives it away."""
    text = told(tmp_path, changed(lambda rows: swap_columns(rows, "temperature_c", "humidity_rh")))

    assert "found 45 °C" in text
    assert "look swapped" in text


def test_load_and_reading_swapped_are_told(tmp_path: Path) -> None:
    """A reading of 0 under a load of 300,000 is a load and a reading."""
    text = told(tmp_path, changed(lambda rows: swap_columns(rows, "mass_kg", "resistance_ohm")))

    assert "The columns mass_kg and resistance_ohm look swapped" in text


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1000.0, "It looks like grams"),
        (9.81, "It looks like newtons"),
        (0.01, "Look at the units of the load"),
    ],
)
def test_another_unit_of_mass_is_told(tmp_path: Path, factor: float, words: str) -> None:
    """Against the full scale that the sheet states, a unit stands out; the likely one is named."""
    text = told(tmp_path, changed(lambda rows: times(rows, "mass_kg", factor)))

    assert "strains the layer by" in text
    assert words in text


def test_kilograms_as_newtons_are_told(tmp_path: Path) -> None:
    """A column load_n that holds kilograms strains a tenth of full scale."""
    rows = [
        {("load_n" if key == "mass_kg" else key): cell for key, cell in row.items()}
        for row in bench_rows(PLAN)
    ]

    assert "It looks like kilograms" in told(tmp_path, rows)


def test_humidity_as_a_fraction_is_told(tmp_path: Path) -> None:
    """0.45 is 45 %RH."""
    text = told(tmp_path, changed(lambda rows: times(rows, "humidity_rh", 0.01)))

    assert "50 %RH is 50" in text


@pytest.mark.parametrize(("cell", "words"), [("1e9", "open or short"), ("0.2", "open or short")])
def test_a_broken_gauge_is_told_with_its_row(tmp_path: Path, cell: str, words: str) -> None:
    """A reading that no strain carries it to; the remedy is to leave it out in writing."""

    def spoil(rows: Rows) -> None:
        rows[A_GAUGE + 5]["resistance_ohm"] = cell

    text = told(tmp_path, changed(spoil))

    assert f"line {A_GAUGE + 7}" in text
    assert words in text
    assert '[[left_out]] serial = "PC-40-02"' in text


def test_a_stuck_gauge_is_told(tmp_path: Path) -> None:
    """The same reading under every load."""

    def spoil(rows: Rows) -> None:
        for row in rows[:A_RUN]:
            row["resistance_ohm"] = "301000"

    assert "in every row of run 1: stuck" in told(tmp_path, changed(spoil))


def test_a_gauge_of_quite_another_factor_is_told(tmp_path: Path) -> None:
    """A third of the batch's factor is not spread."""
    plan = BenchPlan(hold_s=0.0)
    plan.gauges[1] = Gauge("PC-40-02", 298e3, 0.33)

    text = told(tmp_path, bench_rows(plan), plan)

    assert 'gauge "PC-40-02"' in text
    assert "a factor of about 6.6" in text


def test_turned_leads_are_told(tmp_path: Path) -> None:
    """A factor of the other sign."""
    plan = BenchPlan(hold_s=0.0)
    plan.gauges[2] = Gauge("PC-40-03", 305e3, -1.0)

    assert "Its sign is turned" in told(tmp_path, bench_rows(plan), plan)


def test_a_curve_that_turns_is_refused_with_the_reason(tmp_path: Path) -> None:
    """δ = 20.8·ε - 14000·ε² turns at 743 µm/m: no δ beyond can be turned back into a strain."""
    plan = BenchPlan(hold_s=0.0)
    for gauge in plan.gauges:
        gauge.curve = lambda e: 20.8 * e - 14000.0 * e**2

    text = told(tmp_path, bench_rows(plan), plan)

    assert "not monotone: δ turns beyond 700 µm/m" in text
    assert "past saturation" in text
    assert "full_scale_um_m below 700" in text


@pytest.mark.parametrize("cell", ["nan", "NaN", "inf", "1e999", "12,5", "3.1 kOhm"])
def test_what_is_no_number_is_told(tmp_path: Path, cell: str) -> None:
    """Words, infinities, decimal commas and units in a cell."""

    def spoil(rows: Rows) -> None:
        rows[7]["resistance_ohm"] = cell

    text = told(tmp_path, changed(spoil))

    assert "line 9" in text
    assert "number" in text


def test_an_empty_reading_is_told(tmp_path: Path) -> None:
    """A cell left empty is a missing reading, not zero."""

    def spoil(rows: Rows) -> None:
        rows[7]["resistance_ohm"] = ""

    text = told(tmp_path, changed(spoil))

    assert "line 9" in text
    assert "an empty cell; expected resistance_ohm or ratio" in text


def test_another_batch_is_told(tmp_path: Path) -> None:
    """One folder is one batch."""

    def spoil(rows: Rows) -> None:
        for row in rows[:A_GAUGE]:
            row["batch"] = "PC-41"

    assert "a folder of its own" in told(tmp_path, changed(spoil))


def test_a_single_run_is_told(tmp_path: Path) -> None:
    """One run says nothing of repeatability."""
    text = told(tmp_path, bench_rows(BenchPlan(hold_s=0.0, runs=1)))

    assert text.count("Repeat the run") == 3


def test_a_foil_gauge_that_is_not_marked_is_told(tmp_path: Path) -> None:
    """Its rows are no printed gauge's."""

    def spoil(rows: Rows) -> None:
        for row in rows:
            row["reference"] = ""

    assert "Mark the rows of the foil gauge" in told(tmp_path, changed(spoil))
