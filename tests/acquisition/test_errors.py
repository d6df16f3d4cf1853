"""The tree in the docstring is the tree of classes, and every error survives pickling with its facts."""

import inspect
import pickle

import pytest

from acquisition import errors

CLASSES = [c for _, c in inspect.getmembers(errors, inspect.isclass) if issubclass(c, errors.BenchError)]


def test_docstring_shows_every_class_under_its_parent():
    parents = []
    shown = {}
    for line in errors.__doc__.split("::\n", 1)[1].split("Exit codes")[0].splitlines():
        if not line.strip():
            continue
        depth = (len(line) - len(line.lstrip()) - 4) // 2
        name = line.split()[0].split("(")[0]
        parents[depth:] = [name]
        shown[name] = parents[depth - 1] if depth else "Exception"
    assert shown == {c.__name__: c.__mro__[1].__name__ for c in CLASSES}


@pytest.mark.parametrize("kind", CLASSES, ids=lambda c: c.__name__)
def test_pickle_keeps_message_hint_and_facts(kind):
    facts = {name: index for index, name in enumerate(kind.FACTS)}
    error = kind("what happened", hint="do this", **facts)
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is kind
    assert (str(copy), copy.hint) == ("what happened", "do this")
    assert {name: getattr(copy, name) for name in kind.FACTS} == facts


def test_unknown_fact_is_refused():
    with pytest.raises(TypeError, match="colour"):
        errors.OverRange("too high", colour="red")
