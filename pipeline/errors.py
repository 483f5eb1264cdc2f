"""
Every exception of the package, and what each is for.

SpanwardenError
├── ConfigError         the configuration has mistakes (all of them, not the first)
├── PayloadError        a message cannot be decoded; it goes to quarantine with the reason
├── ChainError          a stage failed on a block: a bug, never bad data
├── StateVersionError   a saved state is of another version than the code
├── StorageError        spool, ledger or archive cannot be read or written
│   ├── SealError       what was written does not read back equal
│   └── SpoolDamageError  records of the spool that were on the medium cannot be read any more
├── DeliveryError       a notice was not accepted by its delivery
└── StationError        the surroundings are wrong (station not running, broker refuses, …)
"""

from __future__ import annotations

from dataclasses import dataclass


class SpanwardenError(Exception):
    """Base of all errors that the package raises on purpose; `exit_code` is the command's."""

    exit_code = 3


@dataclass(frozen=True)
class Mistake:
    """One mistake in a configuration: where it stands, what was found, what to do about it."""

    file: str
    place: str
    """Line, key or row, for example `line 14, gauge "NS-07"`; empty for the whole file."""
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}, {self.place}" if self.place else self.file
        return f"{where}: found {self.found}; expected {self.expected}. {self.remedy}"


class ConfigError(SpanwardenError):
    """The configuration has mistakes; `mistakes` holds every one that was found."""

    exit_code = 2

    def __init__(self, mistakes: tuple[Mistake, ...]) -> None:
        self.mistakes = mistakes
        count = len(mistakes)
        head = f"{count} mistake{'s' if count != 1 else ''} in the configuration:"
        super().__init__("\n".join([head, *(f"  {mistake}" for mistake in mistakes)]))


class PayloadError(SpanwardenError):
    """A message cannot be used; `reason` is the counter's name, `detail` what a person reads."""

    def __init__(self, reason: str, detail: str) -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(f"{reason}: {detail}")


class ChainError(SpanwardenError):
    """A stage of the chain raised; names the stage and the rows it was given."""

    def __init__(self, stage: str, gauge: str, rows: int) -> None:
        self.stage = stage
        self.gauge = gauge
        self.rows = rows
        super().__init__(
            f'stage "{stage}" failed on {rows} readings of gauge "{gauge}". This is a fault of '
            "the software: the readings are safe in the spool; please report the lines above."
        )


class StateVersionError(SpanwardenError):
    """A saved state cannot be used by this code; names both versions and the likely reason."""

    def __init__(self, what: str, found: object, expected: int) -> None:
        self.what = what
        self.found = found
        self.expected = expected
        super().__init__(
            f"saved {what} has version {found}, this software reads version {expected}; it was "
            "probably written by another release. Run `spanwarden rebuild` with this release, or "
            "go back to the release that wrote it."
        )


class StorageError(SpanwardenError):
    """Spool, ledger or archive cannot be read or written; the message says what to do."""


class SealError(StorageError):
    """A sealed file does not read back as it was written; the source is kept."""


class SpoolDamageError(StorageError):
    """
    Records `position` to `resume_at - 1` of the spool were durable and cannot be read any more.

    Who reads the spool records the loss and goes on at `resume_at`; it must not pass in silence.
    """

    def __init__(self, segment: str, offset: int, position: int, resume_at: int) -> None:
        self.segment = segment
        self.offset = offset
        self.position = position
        self.resume_at = resume_at
        super().__init__(
            f"{segment}, byte {offset}: records {position} to {resume_at - 1} of the spool cannot "
            "be read: expected a frame with its own checksum there. The medium has probably lost "
            f"or changed bytes. Copy the file away, run `spanwarden doctor` and look at the "
            f"medium; reading can go on at record {resume_at}, and the loss belongs in the journal."
        )


class DeliveryError(SpanwardenError):
    """A delivery did not take a notice; `permanent` means that trying again cannot help."""

    def __init__(self, delivery: str, detail: str, *, permanent: bool = False) -> None:
        self.delivery = delivery
        self.detail = detail
        self.permanent = permanent
        super().__init__(f"{delivery}: {detail}")


class StationError(SpanwardenError):
    """The station's surroundings are wrong: broker, socket, rights; says what to do."""
