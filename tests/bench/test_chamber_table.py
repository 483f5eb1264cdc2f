"""
What is wrong with a chamber table is told with its row and what to do about it.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.bench.chamber import fit_chamber
from pipeline.bench.chamber_table import ChamberRuns, arm_ratio, read_chamber, read_hold
from pipeline.errors import ConfigError
from tests.bench.chamber_truth import Lot, measured, whole
from tests.bench.test_chamber import FILMS, PLACE

HEAD = "serial,batch,time_s,temperature_c,humidity_rh,resistance_ohm,strain_um_m,segment,material"
ROW = "g{gauge},B,{time},{t},{h},120000.5,0,temperature,steel"


def text(*rows: str, head: str = HEAD) -> str:
    """A file of these rows."""
    return "\n".join([head, *rows]) + "\n"


def row(gauge: int = 1, time: object = 0, t: object = 20.0, h: object = 50.0) -> str:
    """One good row, or one with a spoilt cell."""
    return ROW.format(gauge=gauge, time=time, t=t, h=h)


def told(content: str) -> str:
    """The message for that chamber.csv."""
    with pytest.raises(ConfigError) as refused:
        read_chamber("chamber.csv", content)
    return str(refused.value)


def test_a_good_table_is_read_by_gauge_and_time() -> None:
    """Rows that two gauges share in turn come out gauge by gauge, humidity 0..1, with lines."""
    table = read_chamber("chamber.csv", text(row(2), row(1), row(2, 60), row(1, 60, 25.0)))

    assert table.serials == ("g1", "g2")
    assert table.time.tolist() == [0.0, 60.0, 0.0, 60.0]
    assert table.line is not None
    assert table.line.tolist() == [3, 5, 2, 4]
    assert table.humidity.tolist() == [0.5] * 4
    assert table.temperature[1] == 25.0


def test_semicolons_comments_and_a_byte_order_mark_are_taken() -> None:
    """As a spreadsheet saves it."""
    content = "\ufeff" + text("# oven 3", row(), row(time=60)).replace(",", ";")

    assert len(read_chamber("chamber.csv", content)) == 2


def test_a_bridge_output_is_turned_into_an_arm() -> None:
    """By hand: e = 0.01 is (0.51/0.49), a change of 4.08 % and not of 4 %."""
    assert arm_ratio(0.01) == pytest.approx(0.51 / 0.49)


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        (text(row(), row(time="x")), ("line 3, time_s", '"x"', "a number")),
        (text(row(t="nan")), ("line 2, temperature_c", "Write a finite number")),
        (text(row() + ",1"), ("line 2", "10 cells", "9 cells")),
        (text(), ("no rows", "or take the file away")),
        (text(row(), head=HEAD.replace("segment,", "")), ("no column segment", "Add it")),
        (text(row(), head=HEAD.replace("serial", "Serial")), ('column "Serial"', "mend its name")),
        (
            text(row() + ",0.1", head=HEAD + ",ratio"),
            ("resistance_ohm and ratio", "exactly one column"),
        ),
        (text(row(time=60), row(time=0)), ("line 3", "time_s 0 after 60", "column `run`")),
        (text(row(t=300.0)), ("line 2", "temperature_c 300", "two columns are exchanged")),
        (text(row(h=0.5), row(time=60, h=0.8)), ("humidity_rh up to 0.8", "50 for one half")),
        (text(row(h=50.0, t=20.0).replace("temperature,s", "heat,s")), ('segment "heat"',)),
        (
            text(row(), row(time=60).replace("steel", "film")),
            ("line 3", 'materials "film", "steel"', "folder of its own"),
        ),
        (text(row().replace("120000.5", "-5")), ("line 2", "no resistance", "broken gauge")),
        (text(row().replace(",0,", ",0.0005,")), ("strain_um_m up to 0.0005", "µm/m")),
    ],
)
def test_each_mistake_names_row_and_remedy(content: str, parts: tuple[str, ...]) -> None:
    """Where it stands, what was found, and what to do."""
    message = told(content)

    assert [part for part in ("chamber.csv", *parts) if part not in message] == []


def test_a_whole_column_of_mistakes_is_told_in_a_few_lines() -> None:
    """Five rows and the count of the others."""
    message = told(text(*(row(time=60 * i, t="") for i in range(40))))

    assert message.count("temperature_c") == 5
    assert "35 more mistakes" in message


def test_a_hold_needs_no_segment() -> None:
    """hold.csv has neither segment nor material."""
    head = HEAD.removesuffix(",segment,material")
    table = read_hold("hold.csv", text(row().removesuffix(",temperature,steel"), head=head))

    assert len(table) == 1


def rows(**changes: Any) -> ChamberRuns:
    """A good chamber, or one with other columns."""
    table = measured(Lot(), FILMS, whole()[:1], np.random.default_rng(1))
    return replace(table, file="chamber.csv", **changes)


@pytest.mark.parametrize(
    ("settings", "parts"),
    [
        ({"expansion_1e6_per_k": None, "yields": "total"}, ('material "steel" and no',)),
        ({"expansion_1e6_per_k": None}, ("yields = mechanical for a bare film",)),
    ],
)
def test_a_material_that_contradicts_itself_is_refused(
    settings: dict[str, Any], parts: tuple[str, ...]
) -> None:
    """A coupon has an expansion, a bare film has none and cannot yield mechanical strain."""
    with pytest.raises(ConfigError) as refused:
        fit_chamber(rows(), **{**PLACE, **settings})

    assert [part for part in parts if part not in str(refused.value)] == []


def test_one_gauge_is_not_a_batch() -> None:
    """One gauge for a batch is refused, with what to do."""
    table = measured(Lot(), FILMS[:1], whole()[:1], np.random.default_rng(1))

    with pytest.raises(ConfigError, match="one gauge, which says nothing of the spread"):
        fit_chamber(table, **PLACE)


def test_a_gauge_that_does_not_follow_is_refused_by_name_and_row() -> None:
    """Gauge 2 comes loose at the 100th row: the message names it and a line near by."""
    table = rows()
    second = np.flatnonzero(table.serial == "g2")
    broken = table.relative.copy()
    broken[second[100:]] *= 1.02
    with pytest.raises(ConfigError) as refused:
        fit_chamber(replace(table, relative=broken), **PLACE)
    message = str(refused.value)

    assert 'gauge "g2"' in message
    assert 'gauge "g1"' not in message
    assert "Take the gauge out if it is broken" in message


def test_a_run_that_begins_loaded_without_a_curve_is_refused() -> None:
    """Neither a zero nor a curve tells its load."""
    loaded = replace(rows(), strain=np.full(len(rows()), 1e-3))

    with pytest.raises(ConfigError, match=r"1000 µm/m from its first row to its last"):
        fit_chamber(loaded, **PLACE)


def test_a_chamber_that_stood_still_is_refused() -> None:
    """No temperature moved: no slope can be found."""
    with pytest.raises(ConfigError, match=r"at least 5 K"):
        fit_chamber(rows(temperature=np.full(len(rows()), 20.0)), **PLACE)


def test_two_batches_are_refused() -> None:
    """Each batch from a folder of its own."""
    names = np.where(rows().serial == "g1", "B", "C")

    with pytest.raises(ConfigError, match="batches B, C"):
        fit_chamber(rows(batch=names), **PLACE)
