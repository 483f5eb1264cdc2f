"""
A calibration as the TOML text that a site reads back, every figure with all its digits.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

from pipeline.site.models import Calibration

_WIDE = 76


def calibration_text(calibration: Calibration, comments: Iterable[str] = ()) -> str:
    """
    TOML that reads back as the same calibration; what is not set is left out.

    Args:
        calibration: to be written.
        comments: lines above it, each put behind a `#`.
    """
    fields = calibration.model_dump(exclude_none=True)
    lines = [f"# {_plain(line)}" for text in comments for line in text.splitlines()]
    tables = {key: value for key, value in fields.items() if _is_table(value)}
    lines += [f"{key} = {_value(value)}" for key, value in fields.items() if key not in tables]
    for key, value in tables.items():
        several = value if isinstance(value, tuple) else (value,)
        for one in several:
            lines += ["", f"[[{key}]]" if isinstance(value, tuple) else f"[{key}]"]
            lines += [f"{name} = {_value(item)}" for name, item in one.items() if item != ()]
    return "\n".join(line for line in lines if not line.endswith("= []")) + "\n"


def _plain(line: str) -> str:
    """A comment without the control characters that TOML forbids in one."""
    return "".join(c if c.isprintable() or c == "\t" else " " for c in line).rstrip()


def _is_table(value: object) -> bool:
    if isinstance(value, tuple):
        return bool(value) and isinstance(value[0], Mapping)
    return isinstance(value, Mapping)


def _value(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, str):
        # JSON escapes what TOML wants escaped, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        return _array(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    raise TypeError(f"{type(value).__name__} has no place in a calibration file")


def _array(values: tuple[object, ...]) -> str:
    items = [_value(value) for value in values]
    line = f"[{', '.join(items)}]"
    if len(line) <= _WIDE and not any(isinstance(value, tuple) for value in values):
        return line
    return "[\n" + "".join(f"    {item},\n" for item in items) + "]"
