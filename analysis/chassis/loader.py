"""Read a chassis file: every mistake at once, each with its line."""

from __future__ import annotations

from .description import Chassis


def load_chassis(name: str) -> Chassis:
    """Read and check a chassis file.

    Parameters
    ----------
    name : str
        A path, or the name of a file in ``configs/chassis``.

    Raises
    ------
    ConfigError
        With every mistake found.
    """
    raise NotImplementedError


def parse_chassis(text: str, path: str = "text") -> Chassis:
    """Check the text of a chassis file; see `load_chassis`.

    Parameters
    ----------
    text : str
        YAML.
    path : str
        Name used in messages.

    Raises
    ------
    ConfigError
        With every mistake found.
    """
    raise NotImplementedError
