"""Find, read and check the files people write: every mistake at once, with its line.

YAML is read as text (``compose``, not ``load``): a tube called 6E5 stays a name, a pin 010 stays ten, and a
number is made only where the model of the file asks for one.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from .errors import ConfigError, Problem

if TYPE_CHECKING:
    from pydantic import BaseModel

KINDS = ("tubes", "chassis", "benches", "dialects")
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
    """

    path: str
    tree: Text
    lines: Mapping[tuple[str | int, ...], int]

    def line_of(self, place: tuple[str | int, ...]) -> int:
        """Line of a place, or of the nearest place around it."""
        while place not in self.lines and place:
            place = place[:-1]
        return self.lines.get(place, 1)

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
        if given.is_file():
            return given
        raise ConfigError.from_problems([Problem(name, 0, "", "no such file")], hint="check the path")
    for root in config_roots():
        path = root / kind / f"{name}.yaml"
        if path.is_file():
            return path
    known = config_names(kind)
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    raise ConfigError.from_problems(
        [Problem(name, 0, "", f"no {kind} file of this name")],
        hint=f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known) or 'none'}",
    )


def read_yaml(path: str | Path) -> Document:
    """Read a YAML file as text with line numbers.

    Parameters
    ----------
    path : str or Path
        The file.

    Raises
    ------
    ConfigError
        The file cannot be read, is not YAML, is empty, gives a key twice or uses a tag.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise ConfigError.from_problems([Problem(str(path), 0, "", f"cannot be read: {reason}")]) from error
    return parse_yaml(text, str(path))


def parse_yaml(text: str, path: str = "text") -> Document:
    """Read YAML text with line numbers; see `read_yaml`.

    Parameters
    ----------
    text : str
        The content.
    path : str
        Name used in messages.

    Raises
    ------
    ConfigError
        As `read_yaml`.
    """
    import yaml

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        node = yaml.compose(text, Loader=loader)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 0
        problem = Problem(path, line, "", f"not valid YAML: {error.problem or error.context}")
        raise ConfigError.from_problems([problem], hint="check indent, quotes and colons") from error
    except yaml.YAMLError as error:
        problem = Problem(path, 0, "", f"not valid YAML: {str(error).splitlines()[0]}")
        raise ConfigError.from_problems([problem]) from error
    if node is None:
        raise ConfigError.from_problems([Problem(path, 0, "", "the file is empty")])
    lines: dict[tuple[str | int, ...], int] = {}
    problems: list[Problem] = []
    tree = _plain(node, (), lines, problems, path)
    if problems:
        raise ConfigError.from_problems(problems)
    return Document(path, tree, lines)


def _plain(
    node: Any,
    place: tuple[str | int, ...],
    lines: dict[tuple[str | int, ...], int],
    problems: list[Problem],
    path: str,
) -> Text:
    line = node.start_mark.line + 1
    lines.setdefault(place, line)
    name = ".".join(str(key) for key in place)
    if not node.tag.startswith("tag:yaml.org,2002:") or "python" in node.tag:
        problems.append(Problem(path, line, name, f"tag {node.tag} is not allowed here"))
        return ""
    if node.id == "sequence":
        return [_plain(item, (*place, index), lines, problems, path) for index, item in enumerate(node.value)]
    if node.id == "mapping":
        result: dict[str, Text] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value) if key_node.id == "scalar" else ""
            here = (*place, key)
            lines[here] = key_node.start_mark.line + 1
            if not key:
                problems.append(Problem(path, lines[here], name, "a key must be plain text"))
            elif key in result:
                problems.append(Problem(path, lines[here], ".".join(str(k) for k in here), "given twice"))
            result[key] = _plain(value_node, here, lines, problems, path)
        return result
    return str(node.value)


_WORDING = {
    "missing": "required field is missing",
    "extra_forbidden": "unknown field",
    "float_parsing": "expected a number",
    "int_parsing": "expected a whole number",
    "bool_parsing": "expected true or false",
    "string_type": "expected text",
    "list_type": "expected a list",
    "dict_type": "expected names with values",
    "model_type": "expected names with values",
    "model_attributes_type": "expected names with values",
}


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
            place = tuple(item["loc"])
            text = _WORDING.get(item["type"], item["msg"].removeprefix("Value error, "))
            given = item["input"]
            if item["type"] == "extra_forbidden":
                near = difflib.get_close_matches(str(place[-1]), list(model.model_fields), n=1)
                text += f", did you mean {near[0]}?" if near and len(place) == 1 else ""
            elif item["type"] != "missing" and isinstance(given, str) and repr(given) not in text:
                text += f" (got {given!r})"
            problems.append(document.problem(place, text))
        raise ConfigError.from_problems(sorted(problems, key=lambda p: (p.line, p.field))) from None
