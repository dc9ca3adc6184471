"""What a validation complains of, in the words of all our errors: what was got, what is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .text import plain_line

_LONGEST = 300
_OURS = "Value error, "
#: By the kind of a complaint (pydantic's documentation, "Validation Errors"); filled in by its
#: context.
_ALLOWED = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of fewer digits",
    "finite_number": "a finite number",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "string_type": "text",
    "string_too_short": "text of {min_length} or more characters",
    "string_too_long": "text of up to {max_length} characters",
    "string_pattern_mismatch": "text that matches {pattern}",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "literal_error": "{expected}",
    "tuple_type": "a list",
    "list_type": "a list",
    "too_short": "{min_length} or more of them",
    "too_long": "up to {max_length} of them",
    "dict_type": "a table",
    "dataclass_type": "a table",
    "model_attributes_type": "a table",
    "union_tag_invalid": "{discriminator} of {expected_tags}",
    "union_tag_not_found": "a table with {discriminator}",
    "missing": "a value there",
    "missing_argument": "a value there",
    "missing_keyword_only_argument": "a value there",
    "extra_forbidden": "no such key",
    "unexpected_keyword_argument": "no such key",
}


def got_and_allowed(complaint: Mapping[str, Any], *, got: str) -> str:
    """Return what was got and what is allowed in its place.

    Parameters
    ----------
    complaint : mapping
        One of the errors of a `pydantic.ValidationError`.
    got : str
        The value as it is to be shown.

    Examples
    --------
    >>> got_and_allowed({"type": "greater_than", "ctx": {"gt": 0}, "msg": ""}, got="-2.8")
    'got -2.8, allowed more than 0'
    """
    said = str(complaint["msg"])
    if said.startswith(_OURS):
        return with_got(said.removeprefix(_OURS), got=got)
    if complaint["type"] in _ALLOWED:
        said_by = complaint.get("ctx", {}).items()
        short = {k: f"{v:g}" if isinstance(v, float) else v for k, v in said_by}
        rule = _ALLOWED[complaint["type"]].format(**short)
    else:
        rule = said.lower().removeprefix("input should be ")
    return f"got {got}, allowed {plain_line(rule, longest=_LONGEST)}"


def with_got(said: str, *, got: str) -> str:
    """Return an error of ours with what was got and what is allowed, where it lacks either."""
    said = plain_line(said, longest=_LONGEST)
    rule = said.removeprefix("allowed: ")
    has_rule = any(word in said for word in ("allowed", "expected"))
    return said if "got " in said and has_rule else f"got {got}, allowed: {rule}"
