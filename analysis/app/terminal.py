"""Text from files and people, made fit for a terminal."""

from __future__ import annotations


def harmless(text: str) -> str:
    """Text without control characters, which a terminal would obey instead of showing them.

    Parameters
    ----------
    text : str
        From a file or a person.

    Examples
    --------
    >>> harmless("Amp \\x1b[31m")
    'Amp ?[31m'
    """
    return "".join(character if character.isprintable() else "?" for character in text)
