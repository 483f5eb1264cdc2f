"""
From a raw entry to its model; what the model refuses becomes a `Mistake` that a person can mend.

Validation goes through JSON, since strict models take lists for tuples and text for times only so.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, date, datetime, time
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.errors import Mistake
from pipeline.site.located import Entry, Located, did_you_mean

M = TypeVar("M", bound=BaseModel)

_TIME = "a time with its zone, for example 2026-03-02T09:30:00Z"
_PLACEHOLDER = datetime(2000, 1, 1, tzinfo=UTC)
_SECRET_WORDS = ("password", "passwd", "secret", "token")

_EXPECTED = {
    "float_type": ("a number", "Write a plain number, without quotes and without a unit."),
    "finite_number": ("a finite number", "Write a number; leave the key out for no value."),
    "int_type": ("a whole number", "Write a number without a decimal point or quotes."),
    "int_from_float": ("a whole number", "Write a number without a decimal point."),
    "string_type": ("text", "Write it in quotes."),
    "bool_type": ("true or false", "Write true or false without quotes."),
    "tuple_type": ("a list", "Write the values in square brackets, for example [1.0, 2.0]."),
    "model_type": ("a table", "Write it as a table with a line for each key."),
    "model_attributes_type": ("a table", "Write it as a table with a line for each key."),
    "datetime_type": (_TIME, "Write date, time and zone without quotes."),
}


def validated(
    model: type[M], entries: Iterable[Entry]
) -> tuple[list[Located[M]], list[Mistake], bool]:
    """
    The entries that are valid, every mistake of the others, and whether all were valid.

    A time without zone, a date without time and a bare number as a time are mistakes: none of
    them says when.
    """
    valid: list[Located[M]] = []
    mistakes: list[Mistake] = []
    complete = True
    for entry in entries:
        if not entry.whole:
            complete = False
            continue
        raw, told = _with_sound_times(model, entry)
        try:
            item = model.model_validate_json(json.dumps(raw, default=_as_text))
        except ValidationError as error:
            told.extend(_mistake(model, entry, one) for one in error.errors(include_url=False))
        else:
            if not told and not entry.failed:
                valid.append(Located(item, entry.file, entry.place, entry.word))
                continue
        complete = False
        mistakes.extend(told)
    return valid, mistakes, complete


def _with_sound_times(model: type[BaseModel], entry: Entry) -> tuple[dict[str, Any], list[Mistake]]:
    raw, told = dict(entry.raw), []
    for name, field in model.model_fields.items():
        is_time = field.annotation is datetime or datetime in get_args(field.annotation)
        if not is_time or name not in raw:
            continue
        found = _time_fault(raw[name])
        if found:
            remedy = "Write date, time and zone, with Z for UTC."
            told.append(entry.mistake(name, found, _TIME, remedy))
            raw[name] = _PLACEHOLDER
    return raw, told


def _time_fault(value: object) -> str:
    if isinstance(value, str):
        try:
            parsed = datetime.fromisoformat(value)
        except ValueError:
            return f'"{value}"'
        if not any(sign in value for sign in "Tt "):
            return f'"{value}", which has no time of day'
        return "" if parsed.tzinfo else f'"{value}", which has no zone'
    if isinstance(value, datetime):
        return "" if value.tzinfo else f"{value.isoformat()}, which has no zone"
    if isinstance(value, date):
        return f"{value.isoformat()}, which has no time of day"
    return ""


def _as_text(value: object) -> str:
    if isinstance(value, date | time):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} cannot come from a configuration file")


def _mistake(model: type[BaseModel], entry: Entry, error: ErrorDetails) -> Mistake:
    loc, kind = error["loc"], error["type"]
    keys = [part for part in loc if isinstance(part, str)]
    key, name = ".".join(keys), keys[-1] if keys else ""
    number = next((part for part in reversed(loc) if isinstance(part, int)), None)
    if kind == "extra_forbidden":
        return _unknown_key(model, entry, loc, key, name)
    if kind == "missing" and isinstance(loc[-1], int):
        remedy = f"Write all numbers, for example {name} = [-1000.0, 1000.0]."
        found = f"{loc[-1]} value{'s' if loc[-1] != 1 else ''}"
        return entry.mistake(key, found, "two values in square brackets", remedy)
    if kind == "missing":
        found = "an empty cell" if entry.word == "column" else "no such key"
        return entry.mistake(key, found, f"a value for {name}", f"Fill in {name}.")
    found = _shown(error["input"], name)
    if kind != "tuple_type" and number is not None:
        found += f" as value {number + 1}"
    if kind == "literal_error":
        choices = str(error.get("ctx", {}).get("expected", ""))
        names = choices.replace(" or ", ", ").replace("'", "").split(", ")
        choices = choices.replace("'", '"')
        return entry.mistake(key, found, choices, did_you_mean(str(error["input"]), names))
    fallback = (error["msg"][:1].lower() + error["msg"][1:], "Mend the value.")
    expected, remedy = _EXPECTED.get(kind, fallback)
    return entry.mistake(key, found, expected, remedy)


def _unknown_key(
    model: type[BaseModel], entry: Entry, loc: tuple[int | str, ...], key: str, name: str
) -> Mistake:
    if any(word in name.lower() for word in _SECRET_WORDS):
        remedy = (
            "A password is never written in a file: take the key out, put the password into an "
            'environment variable or a file, write password_env = "NAME_OF_THE_VARIABLE", and '
            "change the password, since it has stood in a file."
        )
        return entry.mistake(key, "an unknown key (value not shown)", "no secret", remedy)
    known = _model_at(model, loc[:-1]).model_fields
    remedy = did_you_mean(name, known) or "Take it out."
    return entry.mistake(key, "an unknown key", "a known key", remedy)


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel]:
    for part in loc:
        if isinstance(part, int):
            continue
        annotation = model.model_fields[part].annotation
        for one in (annotation, *get_args(annotation)):
            if isinstance(one, type) and issubclass(one, BaseModel):
                model = one
    return model


def _shown(value: object, name: str) -> str:
    # password_env may hold the password itself by mistake: it must not come out in a log.
    if any(word in name.lower() for word in _SECRET_WORDS):
        return "a value (not shown)"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "…"
