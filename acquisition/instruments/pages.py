"""A record of the scope, page by page as its dialect wants it.

A block carries no name: one that was sent twice, or comes late, looks like the answer to the next question. So a
block that repeats an earlier one, or ends like an earlier line, is not believed until the whole record was read a
second time.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from dataclasses import replace

from ..errors import RecordVoid
from ..scpi import fill, parse_integer
from .connection import MOST_RECENT
from .dialect import ScopeRules, WaveformRules
from .session import Session
from .waveform import Preamble, parse_preamble

MOST_SEEN = MOST_RECENT
"""Blocks remembered: an answer that comes later than so many others is not to be expected."""


FLAT = 2
"""Different samples of a trace that may well come twice: a flat line without noise."""

Owner = tuple[int, int]
"""Shot and channel of a block."""


class SeenBlocks:
    """Digests of the last blocks of one scope, and whose they were."""

    def __init__(self) -> None:
        self._owners: OrderedDict[bytes, Owner] = OrderedDict()

    def add(self, block: bytes, owner: Owner) -> Owner | None:
        """Remember a block.

        Parameters
        ----------
        block : bytes
            The payload.
        owner : pair of int
            Shot and channel it was read for.

        Returns
        -------
        pair of int or None
            Whose it was when it came before, among the last ``MOST_SEEN``.
        """
        digest = hashlib.blake2b(block, digest_size=16).digest()
        before = self._owners.pop(digest, None)
        self._owners[digest] = before or owner
        if len(self._owners) > MOST_SEEN:
            self._owners.popitem(last=False)
        return before


def read_record(session: Session, scope: ScopeRules, seen: SeenBlocks, owner: Owner) -> tuple[str, Preamble, bytes]:
    """Ask for preamble and samples of the channel that was chosen.

    Parameters
    ----------
    session : Session
        With the scope, which is stopped.
    scope : ScopeRules
        Of its dialect.
    seen : SeenBlocks
        Of this scope, kept from record to record.
    owner : pair of int
        Shot and channel that are read.

    Returns
    -------
    text : str
        The preamble as it came, to be compared with a later one.
    preamble : Preamble
        Of the whole record, however many pages it took.
    data : bytes
        The samples.

    Raises
    ------
    ReplyMalformed
        A page is not what was asked for, or the record repeats an earlier one and is another when read again.
    RecordVoid
        It is the record of another shot or channel: a command was lost on the way.
    """
    text, preamble, pages = _read_pages(session, scope)
    # The same trace twice (a flat line), or an earlier block in the place of this one, or an earlier line in the
    # place of samples that were lost: the scope is stopped, so reading once more tells.
    owners = [seen.add(page, owner) for page in pages]
    is_doubtful = any(owners) or any(page.endswith(line) for page in pages for line in session.recent_lines)
    if is_doubtful and (text, preamble, pages) != _read_pages(session, scope):
        raise session.malformed("another one", "the same record when it is read twice")
    if all(each is not None and each != owner for each in owners) and len(set(b"".join(pages))) > FLAT:
        # Noise makes every trace another one.
        raise RecordVoid(
            "the scope gave the record of another shot or channel once more", hint="take the record again"
        )
    return text, preamble, b"".join(pages)


def _read_pages(session: Session, scope: ScopeRules) -> tuple[str, Preamble, list[bytes]]:
    rules = scope.waveform
    if rules.window:
        # The preamble counts the window, so the window is opened to the whole record first.
        points = parse_integer(f"{session.get(scope.timebase.points):.0f}")
        _send_page(session, rules, 0, min(points, rules.page_most))
    text = session.ask(rules.preamble, keep_header=True)
    preamble = parse_preamble(text, rules)
    width = preamble.bits // 8
    if rules.page == "whole":
        return text, preamble, [session.ask_block(rules.data, width)]
    if not rules.window:
        points = preamble.points
        _send_page(session, rules, 0, min(points, rules.page_most))
    elif preamble.points != min(points, rules.page_most):
        raise session.malformed(f"{preamble.points} points", f"a window of {min(points, rules.page_most)} points")
    pages: list[bytes] = []
    done = 0
    while done < points:
        most = min(points, done + rules.page_most)
        if done:
            _send_page(session, rules, done, most)
        page = session.ask_block(rules.data, width)
        size = len(page) // width
        # A page shorter than asked is legal, but not in a window that the scope has confirmed.
        if not page or len(page) % width or done + size > most or (rules.window and done + size < most):
            raise session.malformed(f"{len(page)} bytes", f"a page of samples {done + 1} to {most}")
        pages.append(page)
        done += size
    if rules.window and points > rules.page_most:
        _send_page(session, rules, 0, rules.page_most)  # as it was when the preamble was asked
    return text, replace(preamble, points=points), pages


def _send_page(session: Session, rules: WaveformRules, first: int, stop: int) -> None:
    """Ask for samples ``first`` to ``stop - 1``, counted from 0."""
    base = int(rules.page_base)
    assert rules.page_first is not None  # noqa: S101  the dialect model wants both
    assert rules.page_last is not None  # noqa: S101
    last = stop - 1 + base if rules.page == "first-last" else stop - first
    session.send(fill(rules.page_first, {"value": first + base}))
    session.send(fill(rules.page_last, {"value": last}))
