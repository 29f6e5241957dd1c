"""Columns of a finding's frame: their order and types, whatever values are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

__all__ = ["typed_frame"]


def typed_frame(rows: pd.DataFrame | Sequence[Mapping[Any, Any]], kinds: Mapping[str, str]) -> pd.DataFrame:
    """Return rows as a frame whose columns, order and types do not depend on which values are there.

    Parameters
    ----------
    rows : DataFrame or sequence of mapping
        A column that is not there is blank throughout.
    kinds : mapping of str to str
        Type of each column, in order; 'datetime64[us, UTC]' for moments.

    Examples
    --------
    >>> typed_frame([], {"area_id": "str", "at": "datetime64[us, UTC]"}).dtypes.astype(str).tolist()
    ['str', 'datetime64[us, UTC]']
    """
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    out = frame.reindex(columns=list(kinds))
    for name, kind in kinds.items():
        if kind.startswith("datetime64"):
            out[name] = pd.to_datetime(out[name], utc=True).dt.as_unit("us")
    return out.astype(dict(kinds))
