"""No text of the program, wherever it stands, says what a program at such a bench must never say or imply.

The list is common bench practice, no source. Texts are every string of the code that is not a docstring, the page
and the templates, the data files and README.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

NEVER = {
    "that anything is safe, dead or discharged": r"\b(is|are|was|looks|seems|now|chassis|circuit|point) (now )?"
    r"(safe|dead|discharged|isolated|harmless)\b(?! (or|,))",
    "that something may be touched": r"\bsafe(ly)? to\b|\bmay be touched\b|\byou can touch\b|\bok(ay)? to touch\b",
    "that a missing reading is zero": r"no reading[^.]{0,20}(is|means) (zero|0 V)",
    "that a rating may be exceeded": r"\bexceed[^.]{0,30}(moment|briefly|short time)\b",
    "that lead, probe or category was verified": r"\b(lead|probe|category|rating)s? (is|are|was|were) verified\b",
    "that an isolating transformer makes work safe": r"(isolating transformer|residual-current)[^.]{0,30}\bsafe\b",
    "that an earth may be lifted": r"(?<!never )\blift(ing)? (the|an?|its) (protective )?earth\b",
    "that a fuse may be raised or an interlock bypassed": r"\b(larger|bigger|higher) fuse\b"
    r"|\bbypass(ing)? [^.]{0,10}interlock",
    "that one should reach in or hold on": r"(?<!before you )\breach in\b|\bkeep holding\b"
    r"|\bhold the probe on\b|\bbend over\b",
    "that a fault is certain": r"\b(certainly|definitely|without doubt|guaranteed)\b",
    "that bias may be hotter": r"\bhotter bias\b|\bbias[^.]{0,15}hotter\b",
    "that time presses": r"\b(hurry|be quick|quickly now|seconds left|time is running)\b",
}


def texts():
    for package in ("acquisition", "analysis"):
        for path in sorted((ROOT / package).rglob("*.py")):
            tree = ast.parse(path.read_text("utf-8"))
            docs = {
                id(node.body[0].value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
                and node.body
                and isinstance(node.body[0], ast.Expr)
            }
            for node in ast.walk(tree):
                if isinstance(node, ast.JoinedStr):
                    yield (
                        path,
                        "".join(str(part.value) if isinstance(part, ast.Constant) else "0" for part in node.values),
                    )
                elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                    yield path, node.value
    for pattern in ("analysis/**/static/*", "analysis/**/templates/*", "configs/**/*.yaml", "README.md"):
        for path in sorted(ROOT.glob(pattern)):
            yield path, " ".join(path.read_text("utf-8").split())


TEXTS = list(texts())


DENIED = re.compile(r"\b(never|not) knows? (what|whether)[^.]*", re.I)
"""``the program never knows whether a circuit is dead`` is what it has to say."""


@pytest.mark.parametrize("claim", NEVER)
def test_never_said(claim):
    said = [(path.name, DENIED.sub("", text)) for path, text in TEXTS]
    found = [(name, text[:200]) for name, text in said if re.search(NEVER[claim], text, re.I)]
    assert found == [], claim


def test_the_search_would_find_it():
    said = (
        "the chassis is safe", "safe to touch", "no reading here means zero", "may exceed it for a moment",
        "the probe is verified", "an isolating transformer makes it safe", "lift the earth", "a larger fuse",
        "reach in now", "definitely C4", "bias it hotter", "hurry",
    )  # fmt: skip
    for text, pattern in zip(said, NEVER.values(), strict=True):
        assert re.search(pattern, text, re.I), text
    assert len(TEXTS) > 3000
