"""The data frame has the documented columns and no others."""

import pandas as pd

from acquisition.records import READING_COLUMNS, Pass, Reading
from analysis.report.readings_table import readings_table

READINGS = (
    Reading(point="V1.1", quantity="dc_v", value=86.07, std=0.43, instrument="bench meter", range_v=100.0),
    Reading(point="V1.2>V1.1", quantity="gain", value=51.2, freq_hz=1000.0),
)


def test_columns_types_and_values():
    table = readings_table(Pass(name="as-found", started_utc="", readings=READINGS))
    assert [(name, str(kind)) for name, kind in table.dtypes.items()] == [
        (c.name, c.dtype) for c in READING_COLUMNS
    ]
    assert list(table["value"]) == [86.07, 51.2]
    assert pd.isna(table["std"][1])
    assert set(table["pass_name"]) == {"as-found"}


def test_a_pass_without_readings_keeps_the_columns():
    table = readings_table(Pass(name="x", started_utc=""))
    assert len(table) == 0
    assert [(name, str(kind)) for name, kind in table.dtypes.items()] == [
        (c.name, c.dtype) for c in READING_COLUMNS
    ]
