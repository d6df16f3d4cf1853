"""Public functions and classes say what their parameters mean (numpydoc), and a wrong name is noticed."""

import importlib
import inspect
import pkgutil
import re

import pytest

import acquisition
import analysis


def modules():
    for package in (acquisition, analysis):
        for info in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            if ".app.verbs" not in info.name:  # verbs document themselves through --help
                yield info.name


def public_members(name):
    module = importlib.import_module(name)
    for label, member in vars(module).items():
        if label.startswith("_") or getattr(member, "__module__", None) != name:
            continue
        if inspect.isfunction(member) or inspect.isclass(member):
            yield f"{name}.{label}", member


def documented_names(doc):
    names = set()
    match = re.search(r"Parameters\n-+\n(.*?)(?:\n\n[A-Z][A-Za-z ]+\n-+\n|\Z)", inspect.cleandoc(doc), re.S)
    for line in match.group(1).splitlines() if match else ():
        if line and not line[0].isspace():
            names |= {part.strip().lstrip("*") for part in line.split(" : ")[0].split(",")}
    return names


@pytest.mark.parametrize("name", sorted(modules()))
def test_public_parameters_are_documented(name):
    missing = []
    for label, member in public_members(name):
        doc = member.__doc__
        if not doc:
            missing.append(f"{label}: no docstring")
            continue
        if inspect.isclass(member):
            if not hasattr(member, "__dataclass_fields__"):
                continue
            wanted = {f for f, spec in member.__dataclass_fields__.items() if spec.init and not f.startswith("_")}
        else:
            wanted = {p for p in inspect.signature(member).parameters if not p.startswith("_")}
        lost = wanted - documented_names(doc)
        if lost:
            missing.append(f"{label}: {', '.join(sorted(lost))}")
    assert not missing, "\n".join(missing)
