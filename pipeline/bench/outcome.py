"""
A bench folder from end to end: runs, chamber and hold tables, the calibration, its remarks.

The curve is fitted first as it stands, since chamber and hold may ask for it; with what they
find, warming and creep are taken off the runs, and the curve is fitted again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.calibrate import Figures, figures, site_curve
from pipeline.bench.calibration_file import calibration_text
from pipeline.bench.chamber import ChamberFit, fit_chamber
from pipeline.bench.chamber_sheet import thermal_from_sheet
from pipeline.bench.chamber_table import read_chamber, read_hold
from pipeline.bench.hold import HoldFit, fit_hold
from pipeline.bench.reading import FURTHER, read_bench, read_texts, source_sha256
from pipeline.bench.reduce import Known
from pipeline.bench.remarks import remarks
from pipeline.bench.runs import Bench
from pipeline.errors import ConfigError, Mistake
from pipeline.site.models import Calibration, Creep, Curve, Temperature


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a bench folder gives; nothing is written yet."""

    figures: Figures
    chamber: ChamberFit | None
    hold: HoldFit | None
    temperature: Temperature | None
    """Of the chamber, or of the foil's data sheet."""
    calibration: Calibration
    remarks: tuple[str, ...]

    @property
    def text(self) -> str:
        """The calibration file."""
        found = self.figures.bench
        head = [
            f"Made by `spanwarden calibrate` from {', '.join(_names(self))}; author and limits as "
            "in its sheet.",
            *self.remarks,
        ]
        notes = found.sheet.calibration.item.notes
        return calibration_text(self.calibration, [notes, *head] if notes else head)


def calibrate_folder(folder: Path) -> Outcome:
    """
    Everything that a bench folder gives.

    Raises:
        ConfigError: files that are missing or cannot be right; every mistake of the first layer
            that has any, each with file, row and remedy.
    """
    texts = read_texts(folder)
    bench = read_bench(folder, texts)
    digest = source_sha256(texts)
    reference_c = bench.sheet.calibration.item.reference_temperature_c
    found = figures(bench, Known(reference_c), digest)
    chamber, hold = _further(bench, folder, texts, site_curve(found))
    temperature = chamber.temperature if chamber is not None else _from_sheet(bench)
    creep = hold.creep if hold is not None else ()
    known = Known(reference_c, temperature, creep)
    if temperature is not None or creep:
        found = figures(bench, known, digest)
    calibration = _calibration(found, chamber, hold, temperature)
    told = [*remarks(found, known), *_notes(chamber, hold)]
    return Outcome(found, chamber, hold, temperature, calibration, tuple(told))


def _further(
    bench: Bench, folder: Path, texts: Mapping[str, str], curve: Curve
) -> tuple[ChamberFit | None, HoldFit | None]:
    about = bench.sheet.calibration.item
    for_batch = curve.gauges > 1
    place: dict[str, Any] = {
        "reference_temperature_c": about.reference_temperature_c,
        "reference_humidity_rh": about.reference_humidity_rh,
        "curve": curve,
        "for_batch": for_batch,
    }
    rows, held, rest = (
        read(str(folder / name), texts[name]) if name in texts else None
        for name, read in zip(FURTHER, (read_chamber, read_hold, read_hold), strict=True)
    )
    settings = _chamber_settings(bench) if rows is not None else {}
    chamber = fit_chamber(rows, **place, **settings) if rows is not None else None
    if held is None and rest is None:
        return chamber, None
    temperature = chamber.temperature if chamber is not None else _from_sheet(bench)
    moisture = chamber.moisture if chamber is not None else None
    hold = fit_hold(held, rest, **place, temperature=temperature, moisture=moisture)
    if rows is not None and hold.creep:  # a load held in the chamber creeps, which is not warmth
        creep: tuple[Creep, ...] = hold.creep
        chamber = fit_chamber(rows, **place, **settings, creep=creep)
    return chamber, hold


def _chamber_settings(bench: Bench) -> dict[str, Any]:
    table = bench.sheet.chamber
    if table is None:
        file = bench.sheet.calibration.file
        remedy = 'Add [chamber] with yields = "mechanical" or "total" and the coupon\'s expansion.'
        expected = "a table [chamber], since there is a chamber.csv"
        raise ConfigError((Mistake(file, "", "no table [chamber]", expected, remedy),))
    return table.item.model_dump()


def _from_sheet(bench: Bench) -> Temperature | None:
    table = bench.sheet.sheet
    if table is None:
        return None
    reference_c = bench.sheet.calibration.item.reference_temperature_c
    return thermal_from_sheet(
        **table.item.model_dump(), reference_temperature_c=reference_c, file=table.file
    )


def _calibration(
    found: Figures,
    chamber: ChamberFit | None,
    hold: HoldFit | None,
    temperature: Temperature | None,
) -> Calibration:
    """Of the batch, or of the serial where there was but one gauge."""
    about = found.bench.sheet.calibration.item
    is_batch = found.fitted.gauges > 1
    return Calibration(
        id=about.id,
        kind="strain",
        serial=None if is_batch else found.bench.serials[0],
        batch=about.batch if is_batch else None,
        author=about.author,
        source=about.source,
        source_sha256=found.sha256,
        instrument=found.bench.sheet.instrument.item.name,
        recorded=about.recorded,
        valid_from=about.valid_from,
        expires=about.expires,
        reference_temperature_c=about.reference_temperature_c,
        reference_humidity_rh=about.reference_humidity_rh,
        curve=site_curve(found),
        temperature=temperature,
        moisture=chamber.moisture if chamber is not None else None,
        creep=hold.creep if hold is not None else (),
        ageing=hold.ageing if hold is not None else None,
    )


def _notes(chamber: ChamberFit | None, hold: HoldFit | None) -> list[str]:
    notes: list[str] = []
    for fit in (chamber, hold):
        if fit is not None:
            notes += fit.figures.notes
    return notes


def _names(outcome: Outcome) -> list[str]:
    names = ["bench.toml", "runs.csv"]
    names += ["chamber.csv"] if outcome.chamber is not None else []
    if outcome.hold is not None:
        names += ["hold.csv"] if outcome.hold.figures.holds else []
        names += ["rest.csv"] if outcome.hold.figures.rests else []
    return names
