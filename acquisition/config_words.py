"""What the parser of YAML and the checks of a form say, in words for people who write such a file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_TAB = "indented with a tab: use spaces"
_UNREADABLE = {
    "could not find expected ':'": "expected a colon and a space behind the name",
    "did not find expected ',' or ']'": "a [ that no ] closes, or a comma is missing",
    "did not find expected ',' or '}'": "a { that no } closes, or a comma is missing",
    "found unexpected end of stream": "a quote that no second one closes",
    "found a tab character that violates indentation": _TAB,
    "found character that cannot start any token": "a value that begins with this character goes into quotes",
    "did not find expected key": "indented like no line above",
    "mapping values are not allowed in this context": "a colon too many, an indent unlike the lines above, or no"
    " space behind the colon of the line above",
}
_BEGUN = ("while scanning a simple key", "while scanning a quoted scalar", "while parsing a flow")
"""Here the line where it began is the wrong one, and where the parser gave up a later one."""

_FORM = {
    "missing": "required field is missing",
    "extra_forbidden": "unknown field",
    "float_parsing": "expected a number",
    "float_type": "expected a number",
    "int_parsing": "expected a whole number",
    "int_type": "expected a whole number",
    "bool_parsing": "expected true or false",
    "bool_type": "expected true or false",
    "string_type": "expected text",
    "list_type": "expected a list",
    "tuple_type": "expected a list",
    "dict_type": "expected names with values",
    "model_type": "expected names with values",
    "model_attributes_type": "expected names with values",
    "finite_number": "expected a finite number",
    "greater_than": "expected more than {gt:.10g}",
    "greater_than_equal": "expected {ge:.10g} or more",
    "less_than": "expected less than {lt:.10g}",
    "less_than_equal": "expected {le:.10g} or less",
    "literal_error": "expected {expected}",
    "too_short": "expected {min_length} or more of them",
    "too_long": "expected no more than {max_length} of them",
    "string_pattern_mismatch": "expected text of the form {pattern}",
    "union_tag_not_found": "expected a field {discriminator}, which tells of what kind it is",
    "union_tag_invalid": "expected for {discriminator} one of {expected_tags}",
}


def unreadable_words(error: Any, text: str) -> tuple[int, str]:
    """Line and words of a mistake for which a text is not YAML.

    Parameters
    ----------
    error : yaml.MarkedYAMLError
        As raised.
    text : str
        What was read.
    """
    begun = error.context_mark if (error.context or "").startswith(_BEGUN) else None
    mark = begun or error.problem_mark
    said = error.problem or error.context or ""
    is_tab = mark is not None and text[mark.index : mark.index + 1] == "\t"
    return (mark.line + 1 if mark is not None else 0), (_TAB if is_tab else _UNREADABLE.get(said, said))


def form_words(kind: str, message: str, context: Mapping[str, Any]) -> str:
    """Words for a mistake of form.

    Parameters
    ----------
    kind, message : str
        As the validation names and words it.
    context : mapping
        Its limits and choices.

    Examples
    --------
    >>> form_words("literal_error", "", {"expected": "'full-wave', 'half-wave' or ''"})
    'expected full-wave, half-wave or nothing'
    """
    if kind not in _FORM:
        return message.removeprefix("Value error, ")
    plain = {
        key: value.replace("''", "nothing").replace("'", "") if isinstance(value, str) else value
        for key, value in context.items()
    }
    return _FORM[kind].format_map(plain)
