"""
Who said what a number rests on: raw rows, calibration, zero and configuration of one reading.
"""

from __future__ import annotations

import hashlib
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pipeline.cli.explain_find import Found, sequence_of
from pipeline.derive.gauges import microseconds
from pipeline.derive.moment import differences
from pipeline.site.models import Calibration, Site, Zero
from pipeline.station.layout import layout_of

Facts = dict[str, Any]
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_text(us: int) -> str:
    """A time for programs: UTC to the microsecond."""
    return (_EPOCH + timedelta(microseconds=us)).isoformat().replace("+00:00", "Z")


def raw_facts(found: Found) -> Facts:
    """The raw reading: what arrived, from whom, and the file in which it lies."""
    placement, structure = found.place.placement, found.place.structure
    channel = next(c for c in structure.channels if c.id == placement.channel)
    used = found.moment.column("reading")
    rows = [
        {
            "value": float(value),
            "received": utc_text(int(received)),
            "sequence": sequence_of(found.rows, row),
            "used": float(value) == used,
        }
        for row, (value, received) in enumerate(
            zip(found.rows.column("value"), found.rows.column("received"), strict=True)
        )
    ]
    status = "not sealed"
    if found.is_sealed:
        status = found.place.archive.metadata(found.window_us, "raw").get("status", "unknown")
    return {
        "channel": channel.id,
        "kind": channel.kind,
        "unit": channel.unit,
        "node": channel.node,
        "readings": rows,
        "sealed": found.is_sealed,
        "status": status,
        "file": str(found.file),
        "window_from": utc_text(found.window_us),
        "window_to": utc_text(found.place.archive.end_of(found.window_us)),
    }


def calibration_facts(found: Found) -> Facts:
    """The calibration in force, its file and what stands behind it."""
    placement, site = found.place.placement, found.place.setup.site
    calibration = _in_force(found)
    file, sha256 = _file_of(Path(site.folder), calibration)
    of = f"gauge {calibration.serial}" if calibration.serial else f"batch {calibration.batch}"
    return {
        "id": calibration.id,
        "of": of,
        "file": file,
        "file_sha256": sha256,
        "author": calibration.author,
        "instrument": calibration.instrument,
        "source": calibration.source,
        "source_sha256": calibration.source_sha256,
        "recorded": utc_text(microseconds(calibration.recorded)),
        "valid_from": utc_text(microseconds(calibration.valid_from)),
        "expires": utc_text(microseconds(calibration.expires)),
        "is_out_of_date": found.moment.segment.is_expired,
        "curve": None if calibration.curve is None else calibration.curve.kind,
        "range_um_m": None if calibration.curve is None else list(calibration.curve.range_um_m),
        "reference_temperature_c": calibration.reference_temperature_c,
        "reference_humidity_rh": calibration.reference_humidity_rh,
        "compensation": placement.compensation,
        "compensation_reason": placement.compensation_reason,
    }


def zero_facts(found: Found) -> Facts | None:
    """The zero in force: who stated what, when and why; None before the first one."""
    model = found.moment.segment.strain
    if model is None or model.zero is None:
        return None
    same = [
        zero
        for zero in found.place.structure.zeros
        if zero.serial == found.place.placement.serial
        and microseconds(zero.valid_from) == model.zero.start_us
    ]
    zero: Zero = max(same, key=lambda one: one.recorded)
    return {
        "valid_from": utc_text(microseconds(zero.valid_from)),
        "recorded": utc_text(microseconds(zero.recorded)),
        "by": zero.by,
        "reason": zero.reason,
        "known_strain_um_m": zero.known_strain_um_m,
        "temperature_c": zero.temperature_c,
        "offset_delta": zero.offset_delta,
        "offset_delta_u": zero.offset_delta_u,
    }


def configuration_facts(found: Found) -> Facts:
    """Which configuration gave these values, and which one gave those in the archive."""
    site = found.place.setup.site
    metadata: dict[str, str] = {}
    if found.stored is not None:
        metadata = found.place.archive.metadata(found.window_us, "results")
    sealed_by = metadata.get("configuration_sha256")
    return {
        "sha256": site.sha256,
        "snapshot": _snapshot(site, found, site.sha256),
        "sealed_by_sha256": sealed_by,
        "sealed_by_snapshot": None if sealed_by is None else _snapshot(site, found, sealed_by),
        "sealed_by_software": metadata.get("software"),
        "sealed": metadata.get("sealed"),
    }


def stored_facts(found: Found) -> Facts:
    """The row of the archive, and in which columns it is another than that of the chain now."""
    if found.stored is None:
        return {"row": None, "equal": None, "differences": {}}
    differing = differences(found.moment.row, found.stored)
    named = {name: {"now": now, "archive": old} for name, (now, old) in differing.items()}
    return {"row": dict(found.stored), "equal": not named, "differences": named}


def _in_force(found: Found) -> Calibration:
    """As `derive.plan` says: the last whose valid_from has come, else the first."""
    at_us = found.moment.segment.start_us
    named = [
        c for c in found.place.structure.calibrations if c.id == found.place.placement.calibration
    ]
    named.sort(key=lambda c: (c.valid_from, c.recorded))
    begun = [c for c in named if microseconds(c.valid_from) <= at_us]
    return begun[-1] if begun else named[0]


def _file_of(folder: Path, calibration: Calibration) -> tuple[str | None, str | None]:
    for path in sorted((folder / "calibrations").glob("*.toml")):
        content = path.read_bytes()
        document = tomllib.loads(content.decode("utf-8-sig"))
        same = document.get("id") == calibration.id
        if same and document.get("valid_from") == calibration.valid_from:
            return str(path), hashlib.sha256(content).hexdigest()
    return None, None


def _snapshot(site: Site, found: Found, sha256: str) -> str | None:
    """The file that keeps this configuration, if it ever ran here."""
    folder = layout_of(site, found.place.structure.id).configurations
    kept = sorted(folder.glob(f"*_{sha256[:12]}.json"))
    return str(kept[-1]) if kept else None
