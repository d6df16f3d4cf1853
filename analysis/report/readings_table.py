"""The table of readings as a data frame, for people who go on in a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING

from acquisition.records import READING_COLUMNS, Pass

if TYPE_CHECKING:
    import pandas as pd


def readings_table(one: Pass) -> pd.DataFrame:
    """Readings of a pass with exactly the columns of ``READING_COLUMNS``.

    Parameters
    ----------
    one : Pass
        The pass.

    Returns
    -------
    DataFrame
        One row a reading, in the order they were taken. Numbers are float64 (NaN where a reading has none), text is
        ``string``; units are those of ``READING_COLUMNS``.
    """
    import pandas as pd

    columns = {}
    for column in READING_COLUMNS:
        if column.name == "pass_name":
            cells: list[object] = [one.name] * len(one.readings)
        else:
            cells = [getattr(reading, column.name) for reading in one.readings]
        columns[column.name] = pd.Series(cells, dtype=column.dtype)
    return pd.DataFrame(columns)
