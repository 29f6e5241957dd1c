"""Records in Parquet files: cells as the file holds them, numbered by row."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from auditkit.errors import SourceError
from auditkit.intake.cells import ObjectArray
from auditkit.intake.raw import MAX_COLUMNS, RawTable, check_cells, check_headers

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["read_parquet_file"]

MAX_CELLS = 200_000_000


def read_parquet_file(path: Path, *, name: str) -> RawTable:
    """Return the table in a Parquet file.

    Raises
    ------
    SourceError
        The file is damaged or too large, or a column holds lists or mappings.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            about = file.metadata
            if about.num_columns > MAX_COLUMNS or about.num_rows * about.num_columns > MAX_CELLS:
                raise SourceError(
                    f"{name}: must have at most {MAX_COLUMNS} columns and {MAX_CELLS} cells; given {about.num_rows} "
                    f"rows by {about.num_columns} columns. Split the file."
                )
            table = file.read()
        headers = tuple(str(header).strip() for header in table.column_names)
        check_headers(headers, name=name, ignored_as=name)
        columns = [
            _cells(column, f"{name}: column {header!r}") for header, column in zip(headers, table.columns, strict=True)
        ]
    except (pa.ArrowException, OSError, ValueError) as error:
        given = " ".join(str(error).split())[:200]
        raise SourceError(
            f"{name}: must be a whole Parquet file; given one that is damaged ({given}). Write it again."
        ) from error
    check_cells(columns, name=name)
    return RawTable(
        file=name,
        sheet=None,
        encoding="parquet",
        headers=headers,
        columns=tuple(columns),
        lines=np.arange(1, table.num_rows + 1, dtype=np.int64),
    )


def _cells(column: pa.ChunkedArray, label: str) -> ObjectArray:
    """Return the cells of one column as plain values."""
    import pyarrow as pa

    kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind):
        raise SourceError(f"{label} must hold single values; given {kind}. Write plain columns.")
    cells = np.empty(len(column), dtype=object)
    cells[:] = column.to_pylist()
    return cells
