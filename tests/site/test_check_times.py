"""
Spans in time: every mistake in them is told, alone, with its remedy.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.examples import FOIL_ROW
from tests.site.telling import Case, messages

CASES = (
    Case(
        "a gauge that ends before it begins",
        [("gauges.csv", "2026-03-02T11:00:00Z,,", "2026-03-02T11:00:00Z,2026-03-01T11:00:00Z,")],
        [
            (
                'gauges.csv, line 4, gauge "T-0003", column "valid_to": found '
                "2026-03-01T11:00:00Z; expected a time after valid_from, 2026-03-02T11:00:00Z. "
                "Mend one of the two, or leave valid_to empty while the gauge sits there."
            )
        ],
    ),
    Case(
        "a calibration that expires before it begins",
        [("calibrations/tilt.toml", "expires = 2028-02-20", "expires = 2025-02-20")],
        [
            (
                'calibrations/tilt.toml, calibration "T26-01", key "expires": found '
                "2025-02-20T00:00:00Z; expected a time after valid_from, 2026-02-20T00:00:00Z. "
                "Mend one of the two."
            ),
            (
                'gauges.csv, line 4, gauge "T-0003", column "calibration": found "T26-01", '
                "which expired 2025-02-20T00:00:00Z; expected one that had not expired at "
                "2026-03-02T11:00:00Z, when the gauge was placed. Calibrate again, or name "
                "another calibration."
            ),
        ],
    ),
    Case(
        "two gauges at a point at once",
        [
            ("channels.csv", "tilt-1,AL-N1", "foil-2,AL-N1,bridge,/,60,,\ntilt-1,AL-N1"),
            (
                "gauges.csv",
                FOIL_ROW,
                FOIL_ROW
                + FOIL_ROW.replace("F-0411", "F-0412")
                .replace("foil-1", "foil-2")
                .replace("2026-03", "2026-05"),
            ),
        ],
        [
            (
                'gauges.csv, line 3, gauge "F-0412", column "valid_from": found a second gauge '
                'at point "B1-mid": gauge "F-0411" of line 2 is there then; expected one gauge '
                'at a point at a time. Give "F-0411" a valid_to not after 2026-05-02T09:30:00Z.'
            )
        ],
    ),
    Case(
        "two gauges on a channel at once",
        [
            (
                "points.csv",
                "P1-tilt,alder",
                "B1-third,alder,B1,4,0,-0.3,along,strain,µm/m,mechanical,210,,,,\nP1-tilt,alder",
            ),
            (
                "gauges.csv",
                FOIL_ROW,
                FOIL_ROW + FOIL_ROW.replace("F-0411", "F-0412").replace("B1-mid", "B1-third"),
            ),
        ],
        [
            (
                'gauges.csv, line 3, gauge "F-0412", column "channel": found "foil-1": gauge '
                '"F-0411" of line 2 uses it then; expected one gauge on a channel at a time. '
                "Mend the channel of one of them, or end the earlier with valid_to."
            )
        ],
    ),
    Case(
        "one serial at two points at once",
        [
            (
                "points.csv",
                "P1-tilt,alder",
                "B1-third,alder,B1,4,0,-0.3,along,strain,µm/m,mechanical,210,,,,\nP1-tilt,alder",
            ),
            ("channels.csv", "tilt-1,AL-N1", "foil-2,AL-N1,bridge,/,60,,\ntilt-1,AL-N1"),
            (
                "gauges.csv",
                FOIL_ROW,
                FOIL_ROW + FOIL_ROW.replace("foil-1", "foil-2").replace("B1-mid", "B1-third"),
            ),
        ],
        [
            (
                'gauges.csv, line 3, gauge "F-0411", column "serial": found a gauge that line '
                '2 has at "B1-mid" then; expected one place a serial at a time. Mend the '
                "serial of one of them, or end the earlier with valid_to."
            )
        ],
    ),
    Case(
        "a row twice",
        [("gauges.csv", FOIL_ROW, FOIL_ROW + FOIL_ROW)],
        [
            (
                'gauges.csv, line 3, gauge "F-0411", column "valid_from": found a second gauge '
                'at point "B1-mid": gauge "F-0411" of line 2 is there then; expected one gauge '
                'at a point at a time. Give "F-0411" a valid_to not after 2026-03-02T09:30:00Z.'
            )
        ],
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_mistake_is_told_alone_when_made(case: Case, tmp_path: Path) -> None:
    """The change makes exactly these messages: none is missed, and none echoes another."""
    found = messages(tmp_path, *case.changes, extra=case.extra)

    assert found == list(case.told)
