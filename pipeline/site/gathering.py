"""
Collects entries, names and mistakes while the files of a site are gone through.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from pipeline.errors import Mistake
from pipeline.site import documents
from pipeline.site.located import Entry, Located
from pipeline.site.tables import Table, read_table
from pipeline.site.validate import validated

M = TypeVar("M", bound=BaseModel)


class Gathering:
    """
    One pass over the files; what was refused is remembered so that later checks do not echo it.

    Args:
        folder: of site.toml, as messages shall show it.
        files: texts by name below the folder; a missing one was told by whoever read them.
    """

    def __init__(self, folder: Path, files: Mapping[str, str]) -> None:
        self.folder, self.files = folder, files
        self.mistakes: list[Mistake] = []
        self.names: dict[str, frozenset[str]] = {}
        self.incomplete: set[str] = set()
        """Kinds of which an entry was refused."""
        self.nameless: set[str] = set()
        """Kinds of which something was refused before its name was known."""

    def path(self, file: str) -> str:
        """A file of the site as messages show it."""
        return str(self.folder / file)

    def models(
        self, model: type[M], kind: str, entries: list[Entry], name: str = "id"
    ) -> tuple[Located[M], ...]:
        """The valid ones of `entries`; their names, and mistakes of the others, are noted."""
        valid, told, complete = validated(model, entries)
        self.mistakes.extend(told)
        if not complete:
            self.incomplete.add(kind)
        found = [entry.raw.get(name) for entry in entries]
        self.names[kind] = frozenset(one for one in found if isinstance(one, str))
        if len([one for one in found if isinstance(one, str)]) < len(found):
            self.nameless.add(kind)
        return tuple(valid)

    def lost(self, kind: str) -> None:
        """Note that entries of this kind may have been lost, names and all."""
        self.incomplete.add(kind)
        self.nameless.add(kind)

    def toml(self, file: str, known: tuple[str, ...] | None = None) -> dict[str, Any] | None:
        """A TOML file; None when it is missing or broken. Keys outside `known` are mistakes."""
        if file not in self.files:
            return None
        text, path = self.files[file], self.path(file)
        document, told = documents.parse_toml(text, path)
        self.mistakes.extend(told)
        if document is not None and known is not None:
            self.mistakes.extend(documents.unknown_tables(document, known, path, text))
        return document

    def csv(self, model: type[M], file: str, kind: str, name: str = "id") -> tuple[Located[M], ...]:
        """The rows of a CSV file; `name` is the column that names a row."""
        entries: list[Entry] = []
        is_cut = False
        if file in self.files:
            table = Table(self.path(file), model, kind, name)
            entries, told, is_cut = read_table(self.files[file], table)
            self.mistakes.extend(told)
            if told:
                self.incomplete.add(kind)
        if not entries or is_cut:
            self.lost(kind)
        return self.models(model, kind, entries, name)

    def optional_csv(self, model: type[M], file: str, kind: str) -> tuple[Located[M], ...]:
        """The rows of a CSV file that need not be there."""
        if file in self.files:
            return self.csv(model, file, kind)
        self.names[kind] = frozenset()
        return ()

    def table(
        self, model: type[M], document: Mapping[str, Any] | None, name: str, *, required: bool
    ) -> Located[M] | None:
        """The table `[name]` of site.toml, or None."""
        if document is None:
            self.incomplete.add(name)
            return None
        text, path = self.files["site.toml"], self.path("site.toml")
        entry, told = documents.one_table(document, name, text, path, required=required)
        self.mistakes.extend(told)
        if told:
            self.incomplete.add(name)
        found = self.models(model, name, [entry] if entry else [])
        return found[0] if found else None

    def tables(
        self, model: type[M], document: Mapping[str, Any] | None, file: str, name: str
    ) -> tuple[Located[M], ...]:
        """The tables `[[name]]` of a document; at least one is required."""
        entries: list[Entry] = []
        if document is not None:
            text, path = self.files[file], self.path(file)
            entries, told = documents.table_list(document, name, text, path)
            self.mistakes.extend(told)
        if not entries:
            self.lost(name)
        return self.models(model, name, entries)
