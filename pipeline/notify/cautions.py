"""
What everybody who meets a figure of this station must have read; one text, used everywhere.

Notices, the README and the review show the same words, so that none of them says less.
"""

from __future__ import annotations

CAUTIONS = (
    "Monitoring supplements inspection and never replaces it.",
    "No alarm does not mean safe.",
    "The limits and the response to them are set by a licensed engineer under local codes.",
    "Not a certified safety system.",
    "Gauges can fail quietly.",
    "Before acting on corrected numbers, look at the raw ones.",
    "Work at height, traffic and live electrical parts need their own permits.",
)

CAUTION_TEXT = " ".join(CAUTIONS)
"""The cautions as one paragraph."""
