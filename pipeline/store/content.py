"""
What a table says, apart from how it is encoded: its storable form and the hashes of its columns.

Page checksums do not cover page headers and the footer: a flipped bit there can change numbers
without an error. The hash of each column's values, kept in the file, finds those too.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import SealError


def storable(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """
    The rows of `table` in the one form that is stored: columns of `schema`, one chunk each.

    NaN becomes null; a dictionary holds the names that occur, in order of name. Two tables with
    equal rows have the same storable form.

    Raises:
        SealError: a column is missing or of another type, or null (or NaN) where the schema has
            none.
    """
    columns = []
    for field in schema:
        if field.name not in table.schema.names:
            raise SealError(
                f'column "{field.name}" is missing; found {", ".join(table.schema.names)}. This is '
                "a fault of the software: the readings are kept; please report it."
            )
        columns.append(_storable_column(table.column(field.name), field))
    return pa.Table.from_arrays(columns, schema=schema)


def _storable_column(column: pa.ChunkedArray, field: pa.Field) -> pa.Array:
    if column.type != field.type:
        raise SealError(
            f'column "{field.name}" is {column.type}; expected {field.type}. This is a fault of '
            "the software: the readings are kept; please report it."
        )
    array = _named(column) if pa.types.is_dictionary(field.type) else _one_chunk(column)
    if pa.types.is_floating(field.type):
        array = pc.if_else(pc.is_nan(array), pa.scalar(None, field.type), array)
    if not field.nullable and array.null_count:
        raise SealError(
            f'column "{field.name}" has {array.null_count} empty values; expected none. This is a '
            "fault of the software: the readings are kept; please report it."
        )
    return array


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return pa.concat_arrays(column.chunks) if column.num_chunks else pa.array([], column.type)


def _named(column: pa.ChunkedArray) -> pa.DictionaryArray:
    if not len(column):
        return pa.DictionaryArray.from_arrays(pa.array([], pa.int32()), pa.array([], pa.string()))
    merged = _one_chunk(column.unify_dictionaries())
    names = np.asarray(merged.dictionary.to_pylist(), dtype=object)
    codes = np.asarray(merged.indices.fill_null(-1))
    used = np.unique(codes[codes >= 0])
    order = used[np.argsort(names[used])] if len(used) else used
    rank = np.zeros(len(names) + 1, np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    indices = pa.array(rank[codes], mask=codes < 0)
    return pa.DictionaryArray.from_arrays(indices, pa.array(names[order].tolist(), pa.string()))


def column_sha256(table: pa.Table) -> dict[str, str]:
    """
    SHA-256 of the values of each column of a storable table, by name of the column.

    Over the row count, the bits of the values with 0 where there is none, and which are none; for
    names over the dictionary and the codes. Encoding, chunks and compression do not matter.
    """
    return {name: _sha256_of(table.column(name)) for name in table.schema.names}


def content_sha256(columns: Mapping[str, str]) -> str:
    """SHA-256 of a whole table from the hashes of its columns, in their order."""
    lines = "".join(f"{name} {digest}\n" for name, digest in columns.items())
    return hashlib.sha256(lines.encode()).hexdigest()


def text_sha256(text: str | None) -> str:
    """SHA-256 of a text in UTF-8; empty for none."""
    return "" if text is None else hashlib.sha256(text.encode()).hexdigest()


def _sha256_of(column: pa.ChunkedArray) -> str:
    array = _one_chunk(column)
    digest = hashlib.sha256(f"{len(array)} {array.type}\n".encode())
    if pa.types.is_dictionary(array.type):
        for name in array.dictionary.to_pylist():
            digest.update(f"{len(name.encode())}:{name}\n".encode())
        array = array.indices
    elif pa.types.is_timestamp(array.type):
        array = array.cast(pa.int64())
    if array.null_count:
        digest.update(np.packbits(np.asarray(array.is_null())).tobytes())
        array = array.fill_null(0)
    digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()
