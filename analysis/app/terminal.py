"""Text from files and people, made fit for a terminal."""

import os
import shutil
import textwrap
from typing import Any

import click

from acquisition.errors import harmless

__all__ = ["harmless", "styled", "tell", "tell_wrapped", "text_width"]

WIDEST = 100
"""Columns beyond which lines of text are hard to follow."""


def text_width() -> int:
    """Columns for running text: those of the terminal, within reason; as wide as it gets where there is none."""
    return min(WIDEST, max(40, shutil.get_terminal_size((WIDEST, 24)).columns))


def styled(text: str, **how: Any) -> str:
    """Text in colour; as it is where the environment variable NO_COLOR asks for none.

    Parameters
    ----------
    text : str
        What is said without any colour as well.
    **how : object
        As `click.style` takes it.
    """
    return text if os.environ.get("NO_COLOR") else click.style(text, **how)


def tell(text: str, *, err: bool = False) -> None:
    """Print lines with nothing in them that a terminal would obey.

    Parameters
    ----------
    text : str
        One line or more.
    err : bool
        To standard error.
    """
    for line in text.split("\n"):
        click.echo(harmless(line), err=err)


def tell_wrapped(text: str, hang: int, *, err: bool = False) -> None:
    """Print lines as `tell` does, the longer ones over several.

    Parameters
    ----------
    text : str
        One line or more; what a line begins with stays as it is.
    hang : int
        Columns by which the rest of a line stands in.
    err : bool
        To standard error.
    """
    for line in text.split("\n"):
        parts = textwrap.wrap(
            line, text_width(), subsequent_indent=" " * hang, break_on_hyphens=False, break_long_words=False
        )
        tell("\n".join(parts), err=err)
