"""
One row of the check table: a published figure, ours, and how far they agree.

Two numbers agree to k significant digits when they differ by no more than half a unit of the
published figure's k-th digit. Decimal arithmetic: what a source printed is not rounded again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext

NOISE_DIGITS = 9
"""From here on differences are rounding errors, which no two kinds of machine have alike."""
_SLACK = Decimal("1.000001")
"""A source that rounded a tie the other way is met."""


@dataclass(frozen=True)
class Check:
    """A figure that somebody else published, and what this software makes of the same input."""

    item: str
    quantity: str
    source: str
    published: str
    """As printed."""
    ours: float | str
    unit: str = ""
    digits: int | None = None
    """Significant digits that must agree; None: all that are printed. Text must be equal."""
    printed: int | None = None
    """Significant digits of the source; None: those of `published`."""
    within: float | None = None
    """Absolute, for a published zero, which has no significant digits."""

    @property
    def all_digits(self) -> int:
        """Significant digits that the source gives."""
        if self.printed is not None:
            return self.printed
        return len(Decimal(self.published).as_tuple().digits)

    @property
    def required(self) -> int:
        """Significant digits that must agree."""
        return self.all_digits if self.digits is None else self.digits

    @property
    def is_noise(self) -> bool:
        """Whether what is left of the difference is rounding error."""
        return not isinstance(self.ours, str) and self.required >= NOISE_DIGITS

    @property
    def difference(self) -> Decimal:
        """Ours less published; NaN where ours is not a number."""
        return Decimal(float(self.ours)) - Decimal(self.published)

    def half_unit(self, digit: int) -> Decimal:
        """Half a unit of the published figure's k-th significant digit."""
        return Decimal(5).scaleb(Decimal(self.published).adjusted() - digit)

    @property
    def met(self) -> int:
        """Significant digits that agree, at most those of the source."""
        away = self.difference
        if not away.is_finite():
            return 0
        agreed = (
            k for k in range(self.all_digits, 0, -1) if abs(away) <= self.half_unit(k) * _SLACK
        )
        return next(agreed, 0)

    @property
    def holds(self) -> bool:
        """Whether ours agrees as far as it must."""
        if isinstance(self.ours, str):
            return self.ours == self.published
        if self.within is not None:
            return bool(abs(self.difference) <= Decimal(self.within))
        return self.met >= self.required

    def cells(self) -> tuple[str, ...]:
        """
        The row's columns for people, the same on every machine on which the row holds.

        Where only rounding errors are left, ours is printed to one digit fewer than must agree
        (fewer still next to a tie), and the difference as its bound.
        """
        if isinstance(self.ours, str):
            shown, away, met = self.ours, "none", "all"
            if not self.holds:
                away, met = "differs", "no"
        elif self.within is not None:
            shown = self.published if self.holds else f"{self.ours:.3g}"
            away, met = f"< {Decimal(str(self.within)):.0e}", "-"
        elif self.is_noise:
            shown = f"{self.ours:#.{self._steady_digits()}g}".rstrip(".")
            away = f"< {self.half_unit(self.required):.0e}"
            met = f"{self.required} of {self.all_digits}"
        else:
            shown, away = f"{self.ours:.{self.all_digits + 2}g}", self._shown_difference()
            met = f"{self.met} of {self.all_digits}"
        return (self.item, self.quantity, self.unit, self.source, self.published, shown, away, met)

    def _shown_difference(self) -> str:
        away = self.difference
        if abs(away) <= abs(Decimal(self.published)) * Decimal("1e-12"):
            return "0"
        return f"{float(away):+.2g}"

    def _steady_digits(self) -> int:
        """Digits at which no value that agrees can round in two ways."""
        with localcontext(prec=50):
            value = abs(Decimal(self.published))
            for digits in range(self.required - 1, 1, -1):
                unit = 2 * self.half_unit(digits)
                # Ours is off by half a unit of `required` at most, and a little.
                near = Decimal("0.6").scaleb(digits - self.required)
                if abs(value / unit % 1 - Decimal("0.5")) > near:
                    return digits
        return 1


@dataclass(frozen=True)
class Topic:
    """Rows that belong together, by item; each item is worked out when it is asked for."""

    title: str
    source: str
    """The long form of where the figures come from."""
    items: Mapping[str, Callable[[], list[Check]]]
    remarks: tuple[str, ...] = ()
