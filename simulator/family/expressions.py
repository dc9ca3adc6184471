"""Small sums in family files: numbers, names drawn before, plain operators, a few functions."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from ...ground.complaints import with_got
from ..data import shown_value

_LONGEST = 400
_OPERATORS: dict[type, Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Mod: operator.mod,
    ast.Pow: math.pow,
    ast.Lt: lambda a, b: float(a < b),
    ast.LtE: lambda a, b: float(a <= b),
    ast.Gt: lambda a, b: float(a > b),
    ast.GtE: lambda a, b: float(a >= b),
    ast.Eq: lambda a, b: float(a == b),
}
#: What may be called; angles are degrees, as everywhere in a scene.
FUNCTIONS: dict[str, Callable[..., float]] = {
    "sin": lambda a: math.sin(math.radians(a)),
    "cos": lambda a: math.cos(math.radians(a)),
    "tan": lambda a: math.tan(math.radians(a)),
    "atan2": lambda y, x: math.degrees(math.atan2(y, x)),
    "hypot": math.hypot,
    "sqrt": math.sqrt,
    "exp": math.exp,
    "log": math.log,
    "abs": abs,
    "min": min,
    "max": max,
    "floor": lambda a: float(math.floor(a)),
    "round": lambda a: float(round(a)),
}
_ALLOWED = (
    f"numbers, names drawn above, + - * / % **, < <= > >= ==, name[number], {', '.join(FUNCTIONS)}"
)


class ExpressionError(ValueError):
    """An expression is no sum of this language, or cannot be worked out."""


@lru_cache(maxsize=4096)
def parsed(text: str) -> ast.expr:
    """Return the tree of an expression, without its leading ``=``.

    Raises
    ------
    ExpressionError
        It holds something else than the language has.
    """
    if len(text) > _LONGEST:
        raise ExpressionError(f"got {len(text)} characters, allowed {_LONGEST}")
    try:
        tree = ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise ExpressionError(f"got {text.strip()!r}, allowed {_ALLOWED}") from error
    _check(tree)
    return tree


def _check(node: ast.expr) -> None:
    for part in _parts(node):
        _check(part)


def _parts(node: ast.expr) -> list[ast.expr]:
    """Return what a node of the language is made of; refuse a node of another language."""
    match node:
        case ast.Name():
            return []
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool):
            return []
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return [inner]
        case (
            ast.BinOp(left=left, op=op, right=right)
            | ast.Compare(left=left, ops=[op], comparators=[right])
        ) if type(op) in _OPERATORS:
            return [left, right]
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
            return args
        case ast.Subscript(value=(ast.Name() | ast.Subscript()) as held, slice=place):
            return [held, place]
    raise ExpressionError(f"got {ast.unparse(node)!r}, allowed {_ALLOWED}")


def names_in(tree: ast.expr) -> set[str]:
    """Return the names of values that an expression asks for."""
    called = {node.func for node in ast.walk(tree) if isinstance(node, ast.Call)}
    return {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and node not in called}


def value_of(tree: ast.expr, names: Mapping[str, Any]) -> Any:
    """Work an expression out.

    Parameters
    ----------
    tree : ast.expr
        From `parsed`.
    names : mapping
        Values drawn before. A lone name may stand for any value; in sums all must be numbers.

    Raises
    ------
    ExpressionError
        A name that is not there, text in a sum, a division by nothing.
    """
    try:
        return _held(tree, names) if _is_place(tree) else _worked(tree, names)
    except (ArithmeticError, TypeError, ValueError) as error:
        if isinstance(error, ExpressionError):
            raise
        told = with_got(str(error), got=repr(ast.unparse(tree)))
        raise ExpressionError(f"cannot work out {ast.unparse(tree)!r}: {told}") from error


def _is_place(node: ast.expr) -> bool:
    return isinstance(node, ast.Name | ast.Subscript)


def _held(node: ast.expr, names: Mapping[str, Any]) -> Any:
    """Return the value of a name, or of a place in its lists, whatever it is."""
    if isinstance(node, ast.Subscript):
        return _picked(_held(node.value, names), node, _worked(node.slice, names))
    assert isinstance(node, ast.Name)
    return _named(node.id, names)


def _named(name: str, names: Mapping[str, Any]) -> Any:
    if name not in names:
        known = ", ".join(sorted(names)) or "none"
        raise ExpressionError(f"got the name {name!r}, allowed one drawn before: {known}")
    return names[name]


def _worked(node: ast.expr, names: Mapping[str, Any]) -> Any:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name() | ast.Subscript():
            return _number(_held(node, names), node)
        case ast.UnaryOp(operand=inner):
            return -_number(_worked(inner, names), inner)
        case ast.BinOp(left=left, op=op, right=right):
            return _OPERATORS[type(op)](_worked(left, names), _worked(right, names))
        case ast.Compare(left=left, ops=[op], comparators=[right]):
            return _OPERATORS[type(op)](_worked(left, names), _worked(right, names))
        case ast.Call(func=ast.Name(id=name), args=args):
            return FUNCTIONS[name](*(_worked(one, names) for one in args))
        case _:
            raise ExpressionError(f"got {ast.unparse(node)!r}, allowed {_ALLOWED}")


def _picked(values: Any, node: ast.expr, place: float) -> Any:
    if not isinstance(values, list) or not 0 <= place < len(values):
        size = len(values) if isinstance(values, list) else 0
        where = ast.unparse(node)
        raise ExpressionError(
            f"got place {place:g} in {where!r}, allowed 0 to below {size}: it has so many parts"
        )
    return values[int(place)]


def _number(value: Any, node: ast.expr) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ExpressionError(
            f"got {shown_value(value)} for {ast.unparse(node)!r}, allowed a number"
        )
    return float(value)
