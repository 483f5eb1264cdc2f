"""
Calibrations of placements: every mistake is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.telling import Case, messages

CASES = (
    Case(
        "a calibration from after the start",
        [("calibrations/foil.toml", "valid_from = 2026-02-10", "valid_from = 2026-04-10")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-04", '
                "which is valid from 2026-04-10T00:00:00Z; expected one that is valid at "
                "2026-03-02T09:30:00Z, when the gauge was placed. Name another calibration, or "
                "mend its valid_from if it holds for then too."
            )
        ],
    ),
    Case(
        "a calibration expired at the start",
        [("calibrations/foil.toml", "expires = 2029-02-10", "expires = 2026-02-20")],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-04", '
                "which expired 2026-02-20T00:00:00Z; expected one that had not expired at "
                "2026-03-02T09:30:00Z, when the gauge was placed. Calibrate again, or name "
                "another calibration."
            )
        ],
    ),
    Case(
        "a calibration of another batch",
        [("calibrations/foil.toml", 'batch = "F26-04"', 'batch = "F26-05"')],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-04" of '
                'batch "F26-05" (calibrations/foil.toml); expected one of serial "F-0411" or '
                'batch "F26-04". Name another calibration, or mend the batch here.'
            )
        ],
    ),
    Case(
        "a calibration of another serial",
        [("calibrations/foil.toml", 'batch = "F26-04"', 'serial = "F-0001"')],
        [
            (
                'gauges.csv, line 2, gauge "F-0411", column "calibration": found "F26-04" of '
                'serial "F-0001" (calibrations/foil.toml); expected one of serial "F-0411" or '
                'batch "F26-04". Name another calibration, or mend the serial here.'
            )
        ],
    ),
    Case(
        "a linear calibration on a bridge",
        [
            ("gauges.csv", "T-0003,T26-01,P1-tilt", "T-0003,F26-04,P1-tilt"),
            ("gauges.csv", ",T26-01,none", ",F26-04,none"),
        ],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "calibration": found "F26-04" of '
                "kind strain with wiring linear; expected one of kind linear. Name another "
                "calibration, or mend the wiring."
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
