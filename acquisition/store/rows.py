"""Records to rows and back: no database here, only names and plain values."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from ..records import Capture, Event, JobSheet, Reading, Stretch, Told
from .schema import check_number

_CAPTURE_REALS = ("scale_v", "offset_v", "t0_s", "dt_s", "full_scale_v", "probe_factor")
_STRETCH_REALS = ("end_s", "span_s", "mean_v", "lowest_v", "highest_v")
_OPTIONAL_REALS = ("bandwidth_hz", "freq_hz", "drive_pp_v")


def _real(value: float | None) -> float | None:
    # SQLite keeps -0.0 as 0.0, and the check number of the one does not fit the other.
    return None if value is None else float(value) + 0.0


def in_whole_characters(row: Mapping[str, Any]) -> dict[str, Any]:
    """Texts as a file can hold them: half a character, of a terminal in another code or a cut emoji, becomes ``?``.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    return {
        name: value.encode(errors="replace").decode() if isinstance(value, str) else value
        for name, value in row.items()
    }


def sealed(row: Mapping[str, Any]) -> dict[str, Any]:
    """Add the check number.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    whole = in_whole_characters(row)
    return {**whole, "check_number": check_number(whole)}


def is_sound(row: Mapping[str, Any]) -> bool:
    """Whether a row is as it was written.

    Parameters
    ----------
    row : mapping
        Column names to values, check number included.
    """
    return bool(check_number(row) == row["check_number"])


def pass_row(
    name: str,
    started_utc: str,
    mains_v: float | None,
    mains_hz: float | None,
    minutes_on: float | None,
    settings: Mapping[str, str],
) -> dict[str, Any]:
    """Row of a pass.

    Parameters
    ----------
    name, started_utc, mains_v, mains_hz, minutes_on, settings
        As in `Pass`.
    """
    return sealed(
        {
            "name": name,
            "started_utc": started_utc,
            "mains_v": _real(mains_v),
            "mains_hz": _real(mains_hz),
            "minutes_on": _real(minutes_on),
            "settings": settings_text(settings),
        }
    )


def settings_text(settings: Mapping[str, str]) -> str:
    """How chassis and instruments stood during a pass, as a job keeps it.

    Parameters
    ----------
    settings : mapping of str to str
        As in `Pass`.
    """
    return json.dumps({str(k): str(v) for k, v in settings.items()}, sort_keys=True)


def reading_row(pass_id: int, reading: Reading) -> dict[str, Any]:
    """Row of a reading.

    Parameters
    ----------
    pass_id : int
        Its pass.
    reading : Reading
        The reading.
    """
    row: dict[str, Any] = {field.name: getattr(reading, field.name) for field in fields(Reading)}
    for name in ("value", "std", "freq_hz", "drive_pp_v", "range_v"):
        row[name] = _real(row[name])
    return sealed({**row, "pass_id": pass_id})


def reading_from(row: Mapping[str, Any]) -> Reading:
    """Reading of a row.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    return Reading(**{field.name: row[field.name] for field in fields(Reading)})


def capture_row(pass_id: int, capture: Capture) -> tuple[dict[str, Any], bytes]:
    """Row of a capture, and its codes as bytes.

    Parameters
    ----------
    pass_id : int
        Its pass.
    capture : Capture
        The capture.
    """
    codes = capture.codes.astype(capture.codes.dtype.newbyteorder("<"))
    raw = codes.tobytes()
    row: dict[str, Any] = {f.name: getattr(capture, f.name) for f in fields(Capture) if f.name != "codes"}
    for name in (*_CAPTURE_REALS, *_OPTIONAL_REALS):
        row[name] = _real(row[name])
    row.update(
        clipped=int(capture.clipped),
        channel=int(capture.channel),
        shot=int(capture.shot),
        dtype=f"{codes.dtype.kind}{codes.dtype.itemsize}",
        length=int(codes.size),
        crc32=zlib.crc32(raw),
        pass_id=pass_id,
    )
    return sealed(row), raw


def capture_from(row: Mapping[str, Any], raw: bytes) -> Capture | None:
    """Capture of a row, or None when its codes are not what was written.

    Parameters
    ----------
    row : mapping
        Column names to values.
    raw : bytes
        The codes.
    """
    if not isinstance(raw, bytes) or zlib.crc32(raw) != row["crc32"]:
        return None
    codes = np.frombuffer(raw, dtype=np.dtype(f"<{row['dtype']}"))
    kept = {f.name: row[f.name] for f in fields(Capture) if f.name != "codes"}
    kept["clipped"] = bool(kept["clipped"])
    return Capture(codes=codes, **kept)


def event_row(pass_id: int, event: Event, taken_utc: str) -> dict[str, Any]:
    """Row of an event.

    Parameters
    ----------
    pass_id : int
        Its pass.
    event : Event
        The event.
    taken_utc : str
        When, where the event does not say.
    """
    return sealed(
        {
            "pass_id": pass_id,
            "kind": event.kind,
            "subject": event.subject,
            "value": _real(event.value),
            "std": _real(event.std),
            "body": event.text,
            "taken_utc": event.taken_utc or taken_utc,
        }
    )


def event_from(row: Mapping[str, Any]) -> Event:
    """Event of a row.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    kept = {name: row[name] for name in ("kind", "subject", "value", "std", "taken_utc")}
    return Event(text=row["body"], **kept)


def stretch_row(pass_id: int, stretch: Stretch) -> dict[str, Any]:
    """Row of a stretch of a watched point.

    Parameters
    ----------
    pass_id : int
        Its pass.
    stretch : Stretch
        The stretch.
    """
    row: dict[str, Any] = {field.name: getattr(stretch, field.name) for field in fields(Stretch)}
    for name in _STRETCH_REALS:
        row[name] = _real(row[name])
    return sealed({**row, "pass_id": pass_id, "samples": int(stretch.samples)})


def stretch_from(row: Mapping[str, Any]) -> Stretch:
    """Stretch of a row.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    return Stretch(**{field.name: row[field.name] for field in fields(Stretch)})


def told_row(pass_id: int, told: Told, told_utc: str) -> dict[str, Any]:
    """Row of an answer.

    Parameters
    ----------
    pass_id : int
        Its pass.
    told : Told
        The answer.
    told_utc : str
        When, where it does not say.
    """
    row = {f.name: getattr(told, f.name) for f in fields(Told)}
    return sealed({**row, "pass_id": pass_id, "told_utc": told.told_utc or told_utc})


def told_from(row: Mapping[str, Any]) -> Told:
    """Answer of a row.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    return Told(**{f.name: row[f.name] for f in fields(Told)})


def sheet_from(row: Mapping[str, Any]) -> JobSheet:
    """Job sheet of a row.

    Parameters
    ----------
    row : mapping
        Column names to values.
    """
    return JobSheet(**{field.name: row[field.name] for field in fields(JobSheet)})
