"""
What every model of a site has in common.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Model(BaseModel):
    """Base: strict, frozen, unknown keys are mistakes, NaN and infinity are refused."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)
