"""A record of the scope, page by page as its dialect wants it."""

from __future__ import annotations

from ..scpi import fill, parse_integer
from .dialect import ScopeRules, WaveformRules
from .session import Session
from .waveform import Preamble, parse_preamble


def read_record(session: Session, scope: ScopeRules) -> tuple[str, Preamble, bytes]:
    """Ask for preamble and samples of the channel that was chosen.

    Parameters
    ----------
    session : Session
        With the scope.
    scope : ScopeRules
        Of its dialect.

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
        A page is not what was asked for.
    """
    rules = scope.waveform
    if rules.page == "whole":
        text = session.ask(rules.preamble, keep_header=True)
        preamble = parse_preamble(text, rules)
        return text, preamble, session.ask_block(rules.data, preamble.bits // 8)
    if rules.window:
        # The preamble counts the window, so the window is opened to the whole record first.
        points = parse_integer(f"{session.get(scope.timebase.points):.0f}")
        _send_page(session, rules, 0, min(points, rules.page_most))
        text = session.ask(rules.preamble, keep_header=True)
        preamble = parse_preamble(text, rules)
    else:
        text = session.ask(rules.preamble, keep_header=True)
        preamble = parse_preamble(text, rules)
        points = preamble.points
        _send_page(session, rules, 0, min(points, rules.page_most))
    width = preamble.bits // 8
    data = bytearray()
    while len(data) < points * width:
        done = len(data) // width
        if done:
            _send_page(session, rules, done, min(points, done + rules.page_most))
        page = session.ask_block(rules.data, width)
        if not page or len(page) % width or len(page) > (min(points, done + rules.page_most) - done) * width:
            raise session.malformed(f"{len(page)} bytes", f"a page of samples {done + 1} to {points}")
        data += page
    if rules.window and points > rules.page_most:
        _send_page(session, rules, 0, rules.page_most)  # as it was when the preamble was asked
    whole = Preamble(
        points=points,
        bits=preamble.bits,
        signed=preamble.signed,
        msb_first=preamble.msb_first,
        scale_v=preamble.scale_v,
        offset_v=preamble.offset_v,
        t0_s=preamble.t0_s,
        dt_s=preamble.dt_s,
    )
    return text, whole, bytes(data)


def _send_page(session: Session, rules: WaveformRules, first: int, stop: int) -> None:
    """Ask for samples ``first`` to ``stop - 1``, counted from 0."""
    base = int(rules.page_base)
    assert rules.page_first is not None  # noqa: S101  the dialect model wants both
    assert rules.page_last is not None  # noqa: S101
    last = stop - 1 + base if rules.page == "first-last" else stop - first
    session.send(fill(rules.page_first, {"value": first + base}))
    session.send(fill(rules.page_last, {"value": last}))
