"""What work on a chassis tells of its parts."""

import pytest

from acquisition.records import EVENT_KINDS, Event
from analysis.work import last_values, repaired, values_found

MEASURED = Event(kind="part_measured", subject="R2", value=1480.0, std=7.0)
NEW_VALUE = Event(kind="part_replaced", subject="R2", value=1.5e3)
NEW = Event(kind="part_replaced", subject="R2")


def test_the_last_value_of_a_part_wins():
    assert last_values([MEASURED, NEW_VALUE]) == {"R2": NEW_VALUE}
    assert last_values([NEW_VALUE, MEASURED]) == {"R2": MEASURED}


def test_a_part_replaced_without_a_value_is_as_drawn_again():
    assert last_values([MEASURED, NEW]) == {}
    assert last_values([NEW, MEASURED]) == {"R2": MEASURED}


def test_only_parts_have_values():
    note = Event(kind="note", subject="R2", value=3.0)
    assert last_values([note, Event(kind="tube_swapped", subject="V1")]) == {}


def test_values_found_are_those_of_the_model_with_an_uncertainty():
    """One per cent where none was written down: common practice, no source."""
    found = values_found({"R2", "R3"}, [MEASURED, Event(kind="part_measured", subject="R9", value=1.0)])
    assert found == {"R2": (1480.0, 7.0)}
    assert values_found({"R2"}, [NEW_VALUE]) == {"R2": (1.5e3, pytest.approx(15.0))}
    assert values_found({"R2"}, [Event(kind="part_measured", subject="R2", value=0.0)]) == {}


def test_a_part_or_a_tube_changed_is_a_repair():
    assert {kind for kind in EVENT_KINDS if repaired([Event(kind=kind)])} == {"part_replaced", "tube_swapped"}
    assert not repaired([])
