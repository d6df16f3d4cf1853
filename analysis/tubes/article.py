"""The article that a word or a type number takes in a sentence."""

import re

_BEGINS_WITH_VOWEL = re.compile(r"[aeio]|[AEFHILMNORSX]|8|1[18](?!\d)")
"""Words as written; letters and figures as spoken: an EL84, an 8417, but a UL84 and a 6L6GC."""


def with_article(name: str) -> str:
    """Put "a" or "an" before a word or a type number.

    Parameters
    ----------
    name : str
        A lower-case word such as ``inductor``, or a type number in capitals.

    Examples
    --------
    >>> [with_article(name) for name in ("EL84", "12AX7", "8417", "UL84", "octal", "rectifier")]
    ['an EL84', 'a 12AX7', 'an 8417', 'a UL84', 'an octal', 'a rectifier']
    """
    return f"{'an' if _BEGINS_WITH_VOWEL.match(name) else 'a'} {name}"
