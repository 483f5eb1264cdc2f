"""
A series that is not ours, over MQTT into the archive: every reading found, bit for bit.

Data: five channels of a 1 mV signal over a temperature sweep of 2024-10-28 to 30, measured by
Illya Tsemenko (TiN), github tin-/tckit, MIT; see `datasets/nanovolt_thermal_sweep_1mV/README.md`
in the folder shared beside the checkout. Here V/5 V is a bridge ratio.
"""

import csv
import gzip
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.site.read import read_site
from pipeline.station.machine import compile_setup
from tests.brokers import OPS_CONF, mosquitto, wait_until
from tests.site.examples import FILES, write_example_site
from tests.stations import Publisher, StationProcess, running, use_broker
from tests.streams import Row, messages

SERIES = Path(__file__).parents[3] / "shared/datasets/nanovolt_thermal_sweep_1mV/sweep_1mV.csv.gz"
US = 1_000_000
EXCITATION_V = 5.0

pytestmark = [
    pytest.mark.slow,
    pytest.mark.broker,
    pytest.mark.skipif(
        not SERIES.exists(), reason="the shared datasets are not beside the checkout"
    ),
]


def series() -> list[Row]:
    """The series as readings of the example site's channels, in the order of the file."""
    rows = []
    with gzip.open(SERIES, "rt") as lines:
        for row in csv.DictReader(lines):
            when = datetime.strptime(row["date"], "%d/%m/%Y-%H:%M:%S").replace(tzinfo=UTC)
            time_us = int(when.timestamp()) * US
            rows += [
                Row(time_us, "foil-1", float(row["vbl5"]) / EXCITATION_V),
                Row(time_us, "steel-t", float(row["dut_temp"])),
                Row(time_us, "air-t", float(row["amb_temp"])),
                Row(time_us, "air-rh", float(row["amb_rh"])),
            ]
    return rows


def test_a_real_series_is_complete_in_the_archive(tmp_path: Path) -> None:
    """26,236 readings of 2024 are published, sealed over three days, and found again exactly."""
    folder = tmp_path / "alder"
    earlier = {
        name: text.replace("2026-0", "2024-0").replace("2024-08", "2024-03")
        for name, text in FILES.items()
    }
    storage = "[storage]\noldest_days = 10000.0\nseal_every_min = 0.02\nsettle_s = 1.0\n"
    earlier["site.toml"] = earlier["site.toml"].replace("[storage]\n", storage)
    write_example_site(folder, extra=earlier)
    rows = series()
    with mosquitto(tmp_path / "broker", conf=OPS_CONF) as broker:
        site = use_broker(folder, broker.port)
        setup = compile_setup(site, site.structures[0])
        with running(StationProcess(site, "alder")) as station:
            publisher = Publisher(broker.port)
            publisher.send(list(messages(rows, 100, setup)))
            wait_until(lambda: len(station.raw()) >= len(set(rows)), "sealed", timeout_s=60)
            publisher.close()
            assert station.stop() == 0

    assert len(rows) == 4 * 6559  # rows that the data's README counts
    raw = station.raw()
    codes, names = raw.channel_codes()
    kept = zip(
        raw.column("time").tolist(),
        np.asarray(names, dtype=object)[codes].tolist(),
        raw.column("value").tolist(),
        strict=True,
    )
    assert sorted(kept) == sorted({(r.time_us, r.channel, r.value) for r in rows})
    assert len(station.archive().windows()) == 3
    assert station.quarantined() == 0
    assert len(read_site(folder).structures) == 1
