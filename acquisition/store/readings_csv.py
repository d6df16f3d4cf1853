"""Readings as CSV, in and out: a file written by hand, by another program or by ``export``.

The first line names the columns. ``point``, ``quantity`` and ``value`` are needed; every other column of
``READING_COLUMNS`` may be there or not, and ``std``, ``freq_hz``, ``drive_pp_v`` and ``range_v`` may be empty.

Where decimals begin with a comma, a spreadsheet puts semicolons or tabs between columns: then numbers may have
either mark, but one file only one of the two, since the other one would part thousands. Where each number with a
point could be thousands too (``1.270``), nobody but the writer knows, and is asked.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from ..errors import ConfigError, Problem
from ..quantities import comma_hint, with_plain_minus
from ..records import (
    LONGEST_NAME,
    QUALITIES,
    QUANTITIES,
    READING_COLUMNS,
    RELATIVE_QUANTITIES,
    Pass,
    Reading,
    points_of,
)

COLUMNS = tuple(column.name for column in READING_COLUMNS)
REQUIRED = ("point", "quantity", "value")
_NUMBERS = tuple(column.name for column in READING_COLUMNS if column.dtype == "float64")
_HINT = f"the first line names the columns: {', '.join(REQUIRED)} and any of "
_HINT += ", ".join(name for name in COLUMNS if name not in REQUIRED)
_STRIPPED = {"pass_name", "point", "quantity", "quality", "taken_utc", *_NUMBERS}
_SEPARATORS = ",;\t"
_MAY_BE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}\.\d{3}")
_SIGNED = {"dc_v", "phase_deg"}
_NO_READING_FROM = 1e9  # in any unit of a column
_MOST_PROBLEMS = 50
_MOST_BYTES = 20_000_000  # half a million readings


def read_readings_csv(path: str | Path) -> tuple[Reading, ...]:
    """Read a readings file.

    Parameters
    ----------
    path : str or Path
        The CSV file.

    Returns
    -------
    tuple of Reading
        In the order of the lines; quality ``imported`` where the file does not say.

    Raises
    ------
    ConfigError
        With one problem a mistake, each with its line.
    """
    return tuple(reading for _, reading in read_passes_csv(path))


def read_passes_csv(path: str | Path) -> tuple[tuple[str, Reading], ...]:
    """Read a readings file with the pass each reading belongs to.

    Parameters
    ----------
    path : str or Path
        The CSV file.

    Returns
    -------
    tuple of (str, Reading)
        Name of the pass, empty where the file does not say, and the reading.

    Raises
    ------
    ConfigError
        With one problem a mistake, each with its line.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(_MOST_BYTES + 1)
        text = content.decode("utf-8-sig") if len(content) <= _MOST_BYTES else ""
    except UnicodeDecodeError as error:
        raise ConfigError.from_problems([Problem(name, 0, "", "not UTF-8 text; save it as CSV (UTF-8)")]) from error
    except OSError as error:
        raise ConfigError.from_problems([Problem(name, 0, "", f"cannot be read: {error.strerror}")]) from error
    if len(content) > _MOST_BYTES:
        raise ConfigError.from_problems([Problem(name, 0, "", "longer than 20 MB: is it the right file?")])
    return _parse(text, name)


def lines_of_points(path: str | Path) -> dict[str, int]:
    """Line on which each point is first named.

    Parameters
    ----------
    path : str or Path
        A file that `read_passes_csv` takes.
    """
    column, found = -1, dict[str, int]()
    text = Path(path).read_text(encoding="utf-8-sig")
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text))
    for cells in lines:
        if column < 0:
            names = [cell.strip() for cell in cells]
            column = names.index("point") if "point" in names else -1
        elif column < len(cells):
            for point in cells[column].split(">"):
                found.setdefault(point.strip(), lines.line_num)
    return found


def _separator(text: str) -> str:
    """What stands between the columns: whichever stands most often in the line that names them."""
    head = next((line for line in text.splitlines() if line.strip() and not _is_no_header(line.lstrip())), "")
    return max(_SEPARATORS, key=head.count)


def _is_no_header(start: str) -> bool:
    """Whether a line is a comment, or what a spreadsheet is told the separator by (``sep=;``)."""
    return start.startswith("#") or start.lower().startswith("sep=")


def _parse(text: str, path: str) -> tuple[tuple[str, Reading], ...]:
    problems: list[Problem] = []
    separator = _separator(text)
    lines = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=separator)
    header: list[str] | None = None
    found: list[tuple[str, Reading]] = []
    marks: set[str] = set()
    doubtful: list[Problem] = []
    has_decimals = separator == ","
    try:
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            if header is None:
                if _is_no_header(cells[0].lstrip()):
                    continue
                header = _without_empty_end([cell.strip() for cell in cells], 0)
                problems += _header_problems(header, path, lines.line_num)
                if problems:
                    break
                continue
            if separator != "," and len(cells) <= len(header):
                for name, cell in zip(header, cells, strict=False):
                    if name not in _NUMBERS or "." not in cell:
                        continue
                    if _MAY_BE_THOUSANDS.fullmatch(with_plain_minus(cell.strip())):
                        meant = cell.strip().replace(".", "")
                        told = f"{cell.strip()!r} may be {meant} or a decimal: write {meant}, or {cell.strip()}0"
                        doubtful.append(Problem(path, lines.line_num, name, told))
                    else:
                        has_decimals = True
                cells, seen = _with_points(header, cells)
                if len(marks | seen) > max(1, len(marks)):
                    text = "numbers with a point and with a comma in one file: write a point in all of them"
                    problems.append(Problem(path, lines.line_num, "", text))
                marks |= seen
            item = _reading(header, _without_empty_end(cells, len(header)), path, lines.line_num, problems)
            if item is not None:
                found.append(item)
            if len(problems) >= _MOST_PROBLEMS:
                problems.append(
                    Problem(path, lines.line_num, "", "more than 50 problems; the rest was not looked at")
                )
                break
    except csv.Error as error:
        problems.append(Problem(path, lines.line_num, "", f"not valid CSV: {error}"))
    if not has_decimals and not problems:
        problems = doubtful[:_MOST_PROBLEMS]
    if header is None and not problems:
        problems.append(Problem(path, 0, "", "the file is empty"))
    if problems:
        raise ConfigError.from_problems(problems, hint=_HINT if header is None or not found else "")
    return tuple(found)


def _with_points(header: Sequence[str], cells: Sequence[str]) -> tuple[list[str], set[str]]:
    """Cells with a point in their numbers where a comma stood, and which marks stood in numbers."""
    plain, seen = list(cells), set[str]()
    for place, (name, cell) in enumerate(zip(header, cells, strict=False)):
        if name in _NUMBERS:
            used = set(cell) & {",", "."}
            seen |= used if len(used) == 1 else set()  # a number with both is refused by itself
            if cell.count(",") == 1 and "." not in cell:
                plain[place] = cell.replace(",", ".")
    return plain, seen


def _without_empty_end(cells: list[str], least: int) -> list[str]:
    """Cells without the empty ones that a spreadsheet puts at the end, where a column was cleared."""
    count = len(cells)
    while count > least and not cells[count - 1].strip():
        count -= 1
    return cells[:count]


def _header_problems(header: Sequence[str], path: str, line: int) -> list[Problem]:
    problems = []
    for name in dict.fromkeys(header):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1)
            text = "unknown column" + (f", did you mean {near[0]}?" if near else "")
            problems.append(Problem(path, line, name or "(no name)", text))
        elif header.count(name) > 1:
            problems.append(Problem(path, line, name, "given twice"))
    problems += [Problem(path, line, name, "required column is missing") for name in REQUIRED if name not in header]
    return problems


def _reading(
    header: Sequence[str], cells: Sequence[str], path: str, line: int, problems: list[Problem]
) -> tuple[str, Reading] | None:
    before = len(problems)
    if len(cells) != len(header):
        text = f"expected {len(header)} values, got {len(cells)}"
        if len(cells) > len(header):
            text += " (write a point, not a comma, in numbers; put text with commas in quotes)"
        problems.append(Problem(path, line, "", text))
        return None
    row = {name: cell.strip() if name in _STRIPPED else cell for name, cell in zip(header, cells, strict=True)}
    numbers: dict[str, float | None] = {}
    for name in _NUMBERS:
        try:
            numbers[name] = _number(row.get(name, ""), needed=name == "value", positive=name not in {"value"})
        except ValueError as error:
            problems.append(Problem(path, line, name, str(error)))
    quantity, point = row["quantity"], ">".join(name.strip() for name in row["point"].split(">"))
    if quantity not in QUANTITIES:
        near = difflib.get_close_matches(quantity, QUANTITIES, n=1)
        hint = f"did you mean {near[0]}?" if near else f"expected one of {', '.join(QUANTITIES)}"
        problems.append(Problem(path, line, "quantity", f"{hint} (got {quantity!r})"))
    if not point:
        problems.append(Problem(path, line, "point", "expected a point such as V1.6 or HT2, got nothing"))
    elif quantity in QUANTITIES and not _fits(quantity, point):
        wanted = "FROM>TO such as V1.2>V1.1" if quantity in RELATIVE_QUANTITIES else "one point such as V1.6"
        problems.append(Problem(path, line, "point", f"{quantity} needs {wanted} (got {point!r})"))
    quality = row.get("quality") or "imported"
    if quality not in QUALITIES:
        problems.append(Problem(path, line, "quality", f"expected one of {', '.join(QUALITIES)} (got {quality!r})"))
    for name in ("point", "pass_name"):
        if not row.get(name, "").isprintable():
            problems.append(Problem(path, line, name, "expected text without control characters"))
    if len(row.get("pass_name", "")) > LONGEST_NAME:
        problems.append(Problem(path, line, "pass_name", f"expected at most {LONGEST_NAME} characters"))
    taken = row.get("taken_utc", "")
    try:
        taken = _utc(taken) if taken else ""
    except (ValueError, OverflowError):
        text = f"expected a time as 2026-01-31T10:00:00Z, or nothing (got {taken!r})"
        problems.append(Problem(path, line, "taken_utc", text))
    value = numbers.get("value")
    # What noise was taken off may come out a little below nothing.
    least = -5.0 * (numbers.get("std") or 0.0)
    if value is not None and value < least and quantity in QUANTITIES and quantity not in _SIGNED:
        turned = "; that the stage turns the signal over is its phase_deg" if quantity == "gain" else ""
        problems.append(Problem(path, line, "value", f"a {quantity} is zero or more{turned} (got {value:g})"))
    if len(problems) > before or value is None:
        return None
    return row.get("pass_name", ""), Reading(
        point=point,
        quantity=quantity,
        value=value,
        std=numbers["std"],
        freq_hz=numbers["freq_hz"],
        drive_pp_v=numbers["drive_pp_v"],
        taken_utc=taken,
        instrument=row.get("instrument", ""),
        range_v=numbers["range_v"],
        quality=quality,
        note=row.get("note", ""),
    )


def _fits(quantity: str, point: str) -> bool:
    """Whether a quantity between two points has two, and any other one."""
    names = point.split(">")
    return len(names) in points_of(quantity) and all(name.strip() for name in names)


def _utc(text: str) -> str:
    """Time in UTC, as all others are written; one of another offset is brought there.

    Times are put in order as text, and a day is its first ten letters.
    """
    taken = datetime.fromisoformat(text)
    if not taken.utcoffset():
        is_plain = text[:10] == taken.date().isoformat() and text[10:11] in ("", "T")
        return text if is_plain else taken.isoformat().replace("+00:00", "Z")
    return taken.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _number(text: str, *, needed: bool, positive: bool) -> float | None:
    if not text:
        if needed:
            raise ValueError("expected a number, got nothing")
        return None
    try:
        number = float(with_plain_minus(text)) if "_" not in text else math.nan
    except ValueError:
        comma = comma_hint(text) or " (plain, in the unit of the column)"
        raise ValueError(f"expected a number{comma}, got {text!r}") from None
    if not math.isfinite(number):
        raise ValueError(f"expected a finite number, got {text!r}")
    if abs(number) >= _NO_READING_FROM:
        raise ValueError(
            f"no reading is so large; instruments write overload or no value so: leave it out (got {text!r})"
        )
    if positive and number < 0:
        raise ValueError(f"expected zero or more, got {text!r}")
    return number


def write_passes_csv(passes: Iterable[Pass]) -> str:
    """Write the readings of passes as CSV text with every column of ``READING_COLUMNS``.

    Parameters
    ----------
    passes : iterable of Pass
        In the order they shall stand.

    Returns
    -------
    str
        Lines end as RFC 4180 says, in carriage return and line feed; numbers read back as the same float.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for one in passes:
        for reading in one.readings:
            row = [one.name, *(getattr(reading, name) for name in COLUMNS[1:])]
            writer.writerow(["" if cell is None else repr(float(cell)) if i in _FLOATS else cell
                             for i, cell in enumerate(row)])  # fmt: skip
    return out.getvalue()


_FLOATS = frozenset(COLUMNS.index(name) for name in _NUMBERS)
