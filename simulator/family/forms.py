"""The words of the family language: tables that stand where a scene file has a value."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from ..data import DataFileError, shown_value
from .expressions import ExpressionError, names_in, parsed


class Form(NamedTuple):
    """One form of table: what it means, and the keys beside its word."""

    about: str
    example: str
    more: tuple[str, ...] = ()


#: By the word that makes a table one of them.
FORMS: Mapping[str, Form] = {
    "uniform": Form("a number between two, all alike", "{ uniform = [0.5, 2] }"),
    "log_uniform": Form(
        "a number between two > 0, all octaves alike", "{ log_uniform = [0.1, 1.6] }"
    ),
    "whole": Form("a whole number from the first to the last", "{ whole = [60, 160] }"),
    "choice": Form(
        "one of several values of any kind, maybe with `weights`",
        '{ choice = ["#a3b47a", "#c0a060"], weights = [3, 1] }',
        ("weights",),
    ),
    "shade": Form(
        "a colour, or a list of them, changed: a factor of `light`, a factor of `chroma`, a turn "
        "of the hue, `hue_deg`",
        '{ shade = ["#274a1c", "#6f8f4c"], hue_deg = "= turn", light = 1.2 }',
        ("light", "chroma", "hue_deg"),
    ),
    "repeat": Form(
        "that many copies of `item`, or of each of several `items`, put into the list they stand "
        "in; each copy has its number `i` (or the name that `index` gives), counted from 0, and "
        "draws of its own, `draw`",
        '{ repeat = 12, draw = { x = { uniform = [-4, 4] } }, item = ["= x", 0, "= 0.1 * i"] }',
        ("item", "items", "draw", "index"),
    ),
}
_NAME = re.compile("[a-z][a-z0-9_]*")
#: A name in braces within a text, such as "petal {i}".
PLACE = re.compile(r"\{([a-z][a-z0-9_]*)\}")


def form_of(node: Mapping[str, Any], *, where: str) -> str | None:
    """Return the word that makes a table one of the forms; None for a plain table.

    Raises
    ------
    DataFileError
        Two such words, or a key that does not go with its word.
    """
    words = [key for key in node if key in FORMS]
    if not words:
        return None
    allowed = (words[0], *FORMS[words[0]].more)
    wrong = [key for key in node if key not in allowed]
    if wrong:
        raise DataFileError(f"{where}: got key {wrong[0]!r}, allowed {', '.join(allowed)}")
    return words[0]


def check_names(drawn: Any, *, where: str) -> None:
    """Refuse a table of draws whose names an expression could not say."""
    if not isinstance(drawn, dict):
        raise DataFileError(f"{where}: got {shown_value(drawn)}, allowed a table of draws")
    for name in drawn:
        if not _NAME.fullmatch(name):
            raise DataFileError(
                f"{where}: got the name {name!r}, allowed small letters, digits and _"
            )


def check(node: Any, known: frozenset[str], used: set[str], *, where: str) -> None:
    """Check a part of a family: its forms, expressions and names, also where no draw comes by.

    Parameters
    ----------
    node : plain value
    known : frozenset of str
        Names drawn before.
    used : set of str
        Grows by the names that are used.
    where : str
        File and key, for errors.

    Raises
    ------
    DataFileError
    """
    if isinstance(node, str):
        _check_text(node, known, used, where=where)
    elif isinstance(node, list):
        for number, part in enumerate(node):
            check(part, known, used, where=f"{where}.{number}")
    elif isinstance(node, dict):
        if form_of(node, where=where) == "repeat":
            _check_repeat(node, known, used, where=where)
            return
        for key, part in node.items():
            check(part, known, used, where=f"{where}.{key}")


def _check_text(text: str, known: frozenset[str], used: set[str], *, where: str) -> None:
    try:
        asked = names_in(parsed(text[1:])) if text.startswith("=") else set(PLACE.findall(text))
    except ExpressionError as error:
        raise DataFileError(f"{where}: {error}") from error
    used |= asked
    for name in sorted(asked - known):
        before = ", ".join(sorted(known)) or "none"
        raise DataFileError(f"{where}: got the name {name!r}, allowed one drawn before: {before}")


def _check_repeat(
    node: Mapping[str, Any], known: frozenset[str], used: set[str], *, where: str
) -> None:
    if ("item" in node) == ("items" in node) or not isinstance(node.get("items", []), list):
        raise DataFileError(f"{where}: got {sorted(node)}, allowed one 'item' or a list 'items'")
    check(node["repeat"], known, used, where=f"{where}.repeat")
    within = known | {index_of(node, where=where)}
    inside = check_draws(node.get("draw", {}), within, used, where=f"{where}.draw")
    check(node.get("item", 0), inside, used, where=f"{where}.item")
    check(node.get("items", 0), inside, used, where=f"{where}.items")
    refuse_unused(node.get("draw", {}), used, where=f"{where}.draw")


def check_draws(drawn: Any, known: frozenset[str], used: set[str], *, where: str) -> frozenset[str]:
    """Check draws in their order, and return all names known after them."""
    check_names(drawn, where=where)
    for name, node in drawn.items():
        check(node, known, used, where=f"{where}.{name}")
        known |= {name}
    return known


def refuse_unused(drawn: Mapping[str, Any], used: set[str], *, where: str) -> None:
    """Refuse draws that nothing uses: most likely a name is misspelt."""
    for name in drawn:
        if name not in used:
            raise DataFileError(f"{where}.{name}: got a draw that is never used, allowed used ones")


def index_of(node: Mapping[str, Any], *, where: str) -> str:
    """Return the name of a repeat's number."""
    index = node.get("index", "i")
    if not isinstance(index, str) or not _NAME.fullmatch(index):
        raise DataFileError(f"{where}.index: got {shown_value(index)}, allowed a name")
    return index
