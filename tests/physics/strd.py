"""
NIST Statistical Reference Datasets as they lie beside the checkout, and digits of agreement.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[3] / "shared" / "reference"
EXACT = 15.0


def reference(name: str) -> Any:
    """A JSON file of the published check values; skips where they are not there."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip("../shared/reference is not beside this checkout")
    return json.loads(path.read_text(encoding="utf-8"))


def digits(found: float, certified: float) -> float:
    """Log relative error: how many significant digits agree, 15 at most (NIST StRD)."""
    if found == certified:
        return EXACT
    return min(-math.log10(abs(found - certified) / abs(certified)), EXACT)
