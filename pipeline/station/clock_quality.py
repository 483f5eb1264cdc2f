"""
What the kernel knows of its clock: whether it is synchronised and how wrong it may be.

Ref: adjtimex(2) of Linux; state TIME_ERROR (5) and flag STA_UNSYNC (0x40).
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

STA_UNSYNC = 0x0040
TIME_ERROR = 5
# struct timex begins: modes (int), offset, freq, maxerror, esterror (long), status (int); the
# kernel writes about 200 bytes in all, so the buffer is larger.
_TIMEX_BYTES = 1024


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_int),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * _TIMEX_BYTES),
    )


@dataclass(frozen=True)
class ClockQuality:
    """`error_s`: the most by which the kernel thinks the clock may be wrong [s]."""

    is_synchronised: bool
    error_s: float


def clock_quality() -> ClockQuality | None:
    """What the kernel says, read only; None where it does not say (sandbox, other system)."""
    try:
        call = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    timex = _Timex()
    state = call(ctypes.byref(timex))
    if state < 0:
        return None
    synchronised = state != TIME_ERROR and not timex.status & STA_UNSYNC
    return ClockQuality(synchronised, timex.maxerror / 1e6)
