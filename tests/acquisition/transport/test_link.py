"""What every link does: lines, exact counts, deadlines, the dirty mark, the owner thread; on a scripted link."""

import threading

import pytest

from acquisition.errors import CommandRefused, ConnectionLost, TransportTimeout
from tests.acquisition.transport.scripted import ScriptedLink, Step


def gives(*pieces, piece=1 << 20):
    return ScriptedLink([Step(None, data, after_s) for data, after_s in pieces], piece=piece)


@pytest.mark.parametrize("piece", [1 << 20, 1, 3])
def test_lines_are_cut_whatever_the_pieces(piece):
    link = gives((b"one\r\ntwo\n", 0.0), piece=piece)
    assert link.read_line(1.0) == b"one\r\n"
    assert link.read_line(1.0) == b"two\n"


def test_a_lone_cr_ends_a_line_where_the_dialect_says_so():
    assert gives((b"one\rtwo\r", 0.0)).read_line(1.0, b"\r") == b"one\r"


def test_the_deadline_holds_for_the_whole_line_not_for_each_byte():
    """One byte each 0.2 s would keep a per-byte timeout of 0.5 s waiting for ever."""
    link = gives(*[(b"x", 0.2)] * 50)
    with pytest.raises(TransportTimeout) as caught:
        link.read_line(0.5)
    assert link.clock.monotonic_s() == pytest.approx(0.5)
    assert caught.value.received == b"xx"
    assert caught.value.timeout_s == 0.5


def test_a_timeout_makes_the_link_dirty_and_clear_mends_it():
    link = gives((b"12", 0.0), (b"34\n", 3.0))
    with pytest.raises(TransportTimeout):
        link.read_line(1.0)
    assert link.dirty
    link.clear(silence_s=2.5)
    assert not link.dirty
    assert not link.has_input(), "the late half of the answer must be gone"


def test_a_short_read_makes_the_link_dirty():
    link = gives((b"abc", 0.0))
    with pytest.raises(TransportTimeout):
        link.read_exact(4, 0.2)
    assert link.dirty


def test_a_stream_that_is_never_silent_cannot_be_cleared():
    link = gives(*[(b"x", 0.05)] * 500)
    with pytest.raises(TransportTimeout, match="silence"):
        link.clear(silence_s=0.1, most_s=1.0)


def test_a_write_that_fails_makes_the_link_dirty():
    link = ScriptedLink([Step(b"A\n", fails=ConnectionLost("gone", resource="SCRIPT"))])
    with pytest.raises(ConnectionLost):
        link.write(b"A\n")
    assert link.dirty


def test_garbage_without_a_line_end_does_not_grow_for_ever():
    link = gives(*[(b"x" * 1000, 0.0)] * 100)
    with pytest.raises(TransportTimeout):
        link.read_line(5.0, most=4096)


def test_looking_at_a_link_without_input_takes_no_time():
    link = gives((b"x", 1.0))
    assert link.read_some(0.0) == b""
    assert link.clock.monotonic_s() == 0.0
    assert link.read_some(2.0) == b"x"


def test_a_link_belongs_to_the_thread_that_opened_it():
    """Two threads on one session get each other's answers, without a single exception."""
    link = gives((b"1\n", 0.0))
    caught = []

    def intrude():
        for call in (lambda: link.write(b"A\n"), lambda: link.read_line(1.0), link.has_input, link.clear):
            try:
                call()
            except CommandRefused as error:
                caught.append(str(error))

    thread = threading.Thread(target=intrude)
    thread.start()
    thread.join()
    assert len(caught) == 4
    assert link.read_line(1.0) == b"1\n"


def test_a_closed_link_says_so():
    with gives() as link:
        pass
    assert not link.is_open
    link.close()
    with pytest.raises(ConnectionLost):
        link.write(b"A\n")


def test_a_byte_stream_has_no_end_of_message():
    with pytest.raises(CommandRefused, match="cannot be bounded"):
        gives((b"#0abc\n", 0.0)).read_message(1.0)


def test_the_script_is_strict():
    with pytest.raises(AssertionError, match="expects"):
        ScriptedLink([Step(b"A\n")]).write(b"B\n")
    with pytest.raises(AssertionError, match="nothing more"):
        ScriptedLink([]).write(b"B\n")


def test_the_newest_line_of_a_peer_that_sends_faster_than_it_is_read():
    """Waiting for a pause that never comes had hung."""
    link = gives(*[(b"old\n" * 50_000, 0.0)] * 20, (b"new\n", 0.0))
    assert link.read_newest(0.0) == b"old\n"
    assert link.read_newest(0.0) == b"old\n", "there is more, and it is not waited for"
