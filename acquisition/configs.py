"""Find, read and check the files people write: every mistake at once, with its line.

YAML is read as text (``compose``, not ``load``): a tube called 6E5 stays a name, a pin 010 stays ten, and a
number is made only where the model of the file asks for one.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from .config_words import form_words, unreadable_words
from .errors import STEERING, ConfigError, Problem

if TYPE_CHECKING:
    from pydantic import BaseModel

KINDS = ("tubes", "chassis", "benches", "dialects")
_ONE_OF = {"tubes": "tube", "chassis": "chassis", "benches": "bench", "dialects": "dialect"}
_MOST_NAMED = 10
"""Fields that are named where an unknown one is like none of them."""
ENVIRONMENT_VARIABLE = "STAGEWALK_CONFIGS"

Text = str | list["Text"] | dict[str, "Text"]
M = TypeVar("M", bound="BaseModel")


@dataclass(frozen=True)
class Document:
    """A file read as text.

    Parameters
    ----------
    path : str
        As the user named it.
    tree : dict, list or str
        Mappings, lists and plain text, nothing converted.
    lines : mapping of tuple to int
        Line, from 1, of every place in the tree, keyed by its keys and indices.
    remarks : mapping of tuple to str
        Remarks that begin without a space behind their ``#``, by the value they stand behind: it may be the rest of
        that value, which YAML cuts off.
    """

    path: str
    tree: Text
    lines: Mapping[tuple[str | int, ...], int]
    remarks: Mapping[tuple[str | int, ...], str] = field(default_factory=dict)

    def line_of(self, place: tuple[str | int, ...]) -> int:
        """Line of a place, or of the nearest place around it."""
        while place not in self.lines and place:
            place = place[:-1]
        return self.lines.get(place, 1)

    def cut_off(self, *place: str) -> list[Problem]:
        """The `Problem` of a text that YAML may have cut off at a ``#``; none of one that is whole.

        Parameters
        ----------
        *place : str
            Its keys.
        """
        remark = self.remarks.get(place, "")
        words = f"cut off at the #: quotes round all of it keep {remark!r}; a remark has a space behind its #"
        return [self.problem(place, words)] if remark else []

    def problem(self, place: tuple[str | int, ...], text: str) -> Problem:
        """Build the `Problem` for a place of this file."""
        return Problem(self.path, self.line_of(place), ".".join(str(key) for key in place), text)


def config_roots() -> tuple[Path, ...]:
    """Folders that hold configuration, first wins.

    Returns
    -------
    tuple of Path
        The folder named by the environment variable STAGEWALK_CONFIGS, if any; then ``configs`` beside the
        checkout, or the copy inside the installed package.
    """
    roots: list[Path] = []
    if named := os.environ.get(ENVIRONMENT_VARIABLE):
        roots.append(Path(named))
    checkout = Path(__file__).resolve().parent.parent
    if (checkout / "pyproject.toml").is_file() and (checkout / "configs").is_dir():
        roots.append(checkout / "configs")
    else:
        roots.append(Path(str(resources.files("acquisition"))) / "_configs")
    return tuple(roots)


def config_names(kind: str) -> list[str]:
    """Names of all shipped and added files of a kind.

    Parameters
    ----------
    kind : str
        One of ``KINDS``.
    """
    return sorted({path.stem for root in config_roots() for path in (root / kind).glob("*.yaml")})


def find_config(kind: str, name: str) -> Path:
    """Find a file by path or by the name of a shipped one.

    Parameters
    ----------
    kind : str
        One of ``KINDS``.
    name : str
        A path to a YAML file, or a name without suffix.

    Raises
    ------
    ConfigError
        There is no such file; the hint gives the nearest names.
    """
    given = Path(name)
    if given.suffix in {".yaml", ".yml"} or os.sep in name:
        if os.path.isfile(given):
            return given
        raise ConfigError.from_problems([Problem(name, 0, "", "no such file")], hint="check the path")
    for root in config_roots():
        path = root / kind / f"{name}.yaml"
        if os.path.isfile(path):  # unlike Path.is_file, quiet about a name that is too long
            return path
    beside = next((f"{name}{ending}" for ending in (".yaml", ".yml") if os.path.isfile(f"{name}{ending}")), "")
    known = config_names(kind)
    near = [beside] if beside else difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known) or 'none'}"
    added = os.environ.get(ENVIRONMENT_VARIABLE)
    if added and not beside and not os.path.isdir(added):
        hint = f"{ENVIRONMENT_VARIABLE} names {added}, and there is no such folder"
    text = f"no {_ONE_OF[kind]} file of this name"
    if os.path.exists(name):
        text = f"not a {_ONE_OF[kind]} file: the name of one ends in .yaml"
    raise ConfigError.from_problems([Problem(name, 0, "", text)], hint=hint)


def read_yaml(path: str | Path, *, escapes: bool = False) -> Document:
    """Read a YAML file as text with line numbers.

    Parameters
    ----------
    path : str or Path
        The file.
    escapes : bool
        Whether quoted text may write control characters as escapes, as a record of bytes does.

    Raises
    ------
    ConfigError
        The file cannot be read, is longer than 1 MB, is not YAML, is empty, gives a key twice, uses a tag or an
        alias, or holds control characters.
    """
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise ConfigError.from_problems([Problem(str(path), 0, "", "longer than 1 MB: is it the right file?")])
        text = content.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        if isinstance(error, ConfigError):
            raise
        reason = (
            "not UTF-8 text; save it as UTF-8"
            if isinstance(error, UnicodeDecodeError)
            else getattr(error, "strerror", None)
        )
        raise ConfigError.from_problems(
            [Problem(str(path), 0, "", f"cannot be read: {reason or error}")]
        ) from error
    return parse_yaml(text, str(path), escapes=escapes)


def parse_yaml(text: str, path: str = "text", *, escapes: bool = False) -> Document:
    """Read YAML text with line numbers; see `read_yaml`.

    Parameters
    ----------
    text : str
        The content.
    path : str
        Name used in messages.
    escapes : bool
        As `read_yaml`.

    Raises
    ------
    ConfigError
        As `read_yaml`.
    """
    import yaml

    problems = [
        Problem(path, number, "", f"control character {_named(found[0])} is not allowed")
        for number, line in enumerate(text.split("\n"), start=1)
        if (found := _NOT_YAML.search(line))
    ]
    if problems:
        raise ConfigError.from_problems(problems)
    reading = _Reading(path, escapes, text)
    try:
        # Events, not nodes: neither depth nor an alias that contains itself can make us recurse.
        for event in yaml.parse(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
            reading.take(event)
    except yaml.MarkedYAMLError as error:
        hint = "check indent, quotes and colons"
        line, words = unreadable_words(error, text)
        raise ConfigError.from_problems([Problem(path, line, "", f"not valid YAML: {words}")], hint=hint) from error
    except yaml.YAMLError as error:
        problem = Problem(path, 0, "", f"not valid YAML: {str(error).splitlines()[0]}")
        raise ConfigError.from_problems([problem]) from error
    return reading.document()


MOST_BYTES = 1_000_000
"""No file that people write by hand comes near this length."""
_DEEPEST = 20
_CROWDED = re.compile(r"(\w+):(\S+)")
"""A name and its value with no space between them are one name to YAML."""
_REMARK = re.compile(r"[ \t]+(#[^\s#][^\n]*)")
# What YAML 1.2.2 (5.1) does not count as printable; a tab or a line end is.
_NOT_YAML = re.compile("[^\t\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _named(character: str) -> str:
    return f"U+{ord(character):04X}"


class _Reading:
    """Builds the tree of one document from the parser's events."""

    def __init__(self, path: str, escapes: bool, source: str) -> None:
        self._path = path
        self._source = source
        self._remarks: dict[tuple[str | int, ...], str] = {}
        self._escapes = escapes
        self._lines: dict[tuple[str | int, ...], int] = {}
        self._problems: list[Problem] = []
        self._roots: list[Text] = []
        self._open: list[tuple[list[Text] | dict[str, Text], tuple[str | int, ...]]] = []
        self._key: list[str | None] = []  # of each open mapping: the key that waits for its value

    def take(self, event: Any) -> None:
        """Take the next event."""
        kind = type(event).__name__.removesuffix("Event")
        if kind in {"SequenceEnd", "MappingEnd"}:
            self._open.pop()
            self._key.pop()
        elif kind in {"Scalar", "Alias", "SequenceStart", "MappingStart"}:
            line = event.start_mark.line + 1
            if self._open and isinstance(self._open[-1][0], dict) and self._key[-1] is None:
                self._take_key(kind, event, line)
            else:
                self._take_value(kind, event, line)

    def document(self) -> Document:
        """The finished document, or its problems."""
        if not self._roots:
            raise ConfigError.from_problems([Problem(self._path, 0, "", "the file is empty")])
        if self._problems:
            raise ConfigError.from_problems(self._problems)
        return Document(self._path, self._roots[0], self._lines, self._remarks)

    def _report(self, line: int, place: tuple[str | int, ...], text: str) -> None:
        self._problems.append(Problem(self._path, line, ".".join(str(key) for key in place), text))

    def _take_key(self, kind: str, event: Any, line: int) -> None:
        mapping, place = self._open[-1]
        key = self._text(event, line, place) if kind == "Scalar" else ""
        here = (*place, key)
        first = self._lines.get(here)
        self._lines[here] = line
        if not key:
            self._report(line, place, "a key must be plain text")
        elif key in mapping:
            self._report(line, here, f"given twice, first on line {first}")
        self._key[-1] = key
        self._descend(kind, line, place)

    def _take_value(self, kind: str, event: Any, line: int) -> None:
        place: tuple[str | int, ...] = ()
        if self._open:
            into, above = self._open[-1]
            place = (*above, len(into)) if isinstance(into, list) else (*above, self._key[-1] or "")
        elif self._roots:
            self._report(line, (), "expected a single document, and here another one begins")
        self._lines.setdefault(place, line)
        value: Text = [] if kind == "SequenceStart" else {} if kind == "MappingStart" else ""
        if kind == "Alias":
            self._report(line, place, f"alias *{event.anchor} is not allowed here: write it out")
        elif event.tag and (not event.tag.startswith("tag:yaml.org,2002:") or "python" in event.tag):
            self._report(line, place, f"tag {event.tag} is not allowed here")
        elif kind == "Scalar":
            value = self._text(event, line, place)
            if event.implicit[0] and (cut := _REMARK.match(self._source, event.end_mark.index)):
                self._remarks[place] = cut[1].rstrip()
            if not value and event.implicit[0] and place and (found := _CROWDED.fullmatch(str(place[-1]))):
                self._report(line, place, f"expected a space behind the colon: {found[1]}: {found[2]}")
        if not self._open:
            self._roots.append(value)
        elif isinstance(into, list):
            into.append(value)
        else:
            into[self._key[-1] or ""] = value
            self._key[-1] = None
        self._descend(kind, line, place, value)

    def _descend(self, kind: str, line: int, place: tuple[str | int, ...], value: Text = "") -> None:
        if kind not in {"SequenceStart", "MappingStart"}:
            return
        if len(self._open) >= _DEEPEST:
            self._report(line, place, f"nested more than {_DEEPEST} deep")
            raise ConfigError.from_problems(self._problems)
        content = value if isinstance(value, list | dict) else [] if kind == "SequenceStart" else {}
        self._open.append((content, place))
        self._key.append(None)

    def _text(self, event: Any, line: int, place: tuple[str | int, ...]) -> str:
        text = str(event.value)
        if not self._escapes and not text.isprintable() and (found := STEERING.search(text)):
            self._report(line, place, f"control character {_named(found[0])} is not allowed")
            return STEERING.sub("?", text)
        return text


def validate(document: Document, model: type[M]) -> M:
    """Check a document against a pydantic model.

    Parameters
    ----------
    document : Document
        From `read_yaml`.
    model : type
        A pydantic model; should forbid extra fields and infinities.

    Returns
    -------
    model
        The checked content.

    Raises
    ------
    ConfigError
        With one problem a mistake, each with its line.
    """
    from pydantic import ValidationError

    try:
        return model.model_validate(document.tree)
    except ValidationError as error:
        problems = []
        for item in error.errors(include_url=False):
            place = _place_of(document, item["loc"], item["type"] == "missing")
            text = form_words(item["type"], item["msg"], item.get("ctx", {}))
            given = item["input"]
            if item["type"] == "extra_forbidden":
                text += _instead(model, place)
            elif item["type"] != "missing" and isinstance(given, str) and repr(given) not in text:
                text += f" (got {given!r})"
            problems.append(document.problem(place, text))
        raise ConfigError.from_problems(sorted(set(problems), key=lambda p: (p.line, p.field, p.text))) from None


def _instead(model: type[BaseModel], place: tuple[str | int, ...]) -> str:
    """What an unknown field may have been meant as: a name like it beside it, or its own name further in."""
    here: Any = model
    for key in place[:-1]:  # the names of rails and parts are keys of the file, and no fields
        if field := getattr(here, "model_fields", {}).get(key):
            here = _model_in(field.annotation)
    fields = getattr(here, "model_fields", {})
    name = str(place[-1])[:40]
    if decimals_cut_off(name):
        return f": {DECIMALS_CUT_OFF}"
    if near := difflib.get_close_matches(name, list(fields), n=1, cutoff=0.7):  # notes are no slip of tubes
        return f", did you mean {near[0]}?"
    inside = (
        key for key, field in fields.items() if name in getattr(_model_in(field.annotation), "model_fields", {})
    )
    home = next(inside, "")
    if home:
        return f", it goes into {home}"
    return f", expected one of {' '.join(fields)}" if 0 < len(fields) <= _MOST_NAMED else ""


DECIMALS_CUT_OFF = "expected a point in a number, and no comma"
"""What to say where `decimals_cut_off`."""


def decimals_cut_off(field: str) -> bool:
    """Whether a field that nobody knows is what stands behind a comma: ``{at: 0,5}`` is ``at: 0`` and ``5``.

    Parameters
    ----------
    field : str
        Its name.
    """
    return re.fullmatch(r"\d+[a-zA-Zµ]?", field) is not None


def _model_in(annotation: Any) -> Any:
    """The model an annotation holds, directly or as the values of a mapping or a list; None where it holds none."""
    if hasattr(annotation, "model_fields"):
        return annotation
    return next(filter(None, map(_model_in, get_args(annotation))), None)


def _place_of(document: Document, loc: tuple[str | int, ...], is_missing: bool) -> tuple[str | int, ...]:
    """Where in the file: the names the model gives to the branches of a choice are left out."""
    place: tuple[str | int, ...] = ()
    for key in loc:
        if (*place, key) in document.lines:
            place = (*place, key)
    return (*place, loc[-1]) if is_missing else place
