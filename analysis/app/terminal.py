"""Text from files and people, made fit for a terminal."""

import click

from acquisition.errors import harmless

__all__ = ["harmless", "tell"]


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
