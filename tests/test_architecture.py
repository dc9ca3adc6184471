"""How the house is built: which way imports go, and where randomness comes from."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[1]
OURS = ("simulator", "metrics", "runners")
# A package may import itself and these.
MAY_IMPORT = {"simulator": set(), "metrics": set(), "runners": {"simulator", "metrics"}}
# What makes a generator of one's own. Everything else in numpy.random draws from a shared one.
OWN_GENERATORS = {
    "default_rng",
    "Generator",
    "SeedSequence",
    "BitGenerator",
    "PCG64",
    "PCG64DXSM",
    "Philox",
    "SFC64",
    "MT19937",
}


def modules(package: str) -> dict[str, Path]:
    """Return the modules of a package by their dotted name."""
    found = {}
    for path in sorted((HOUSE / package).rglob("*.py")):
        parts = path.relative_to(HOUSE).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = {name: path for package in OURS for name, path in modules(package).items()}
TREES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}


def imports_of(name: str, tree: ast.AST, *, late: bool = True) -> Iterator[tuple[str, int]]:
    """Yield what a module imports, by dotted name, with the line; ``late`` counts all of them.

    Without ``late``, imports within functions and for type checkers alone are left out: they do
    not run when the module is imported.
    """
    here = name if MODULES[name].name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(tree) if late else at_import(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = here.split(".")[: len(here.split(".")) - node.level + 1]
                base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                yield (inner if inner in MODULES else base), node.lineno


def at_import(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes of a module that run when it is imported."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        yield node
        yield from at_import(node)


def within(name: str, package: str) -> bool:
    """Say whether a module is a package or in it."""
    return name == package or name.startswith(f"{package}.")


def test_the_house_has_its_three_packages():
    """Each is there and has modules; else the rules below would hold of nothing."""
    for package in OURS:
        assert len(modules(package)) > 10, package


@pytest.mark.parametrize("package", OURS)
def test_imports_follow_the_arrows(package):
    """Simulator and metrics know nothing of each other or of runners; runners knows both."""
    others = [other for other in OURS if other != package and other not in MAY_IMPORT[package]]
    against = [
        f"{name}:{line} imports {target}"
        for name, tree in TREES.items()
        if within(name, package)
        for target, line in imports_of(name, tree)
        if any(within(target, other) for other in (*others, "tests"))
    ]
    assert against == []


@pytest.mark.parametrize("package", OURS)
def test_no_module_imports_itself_round_a_corner(package):
    """Within a package what runs at import goes one way: no circles."""
    wanted = {
        name: sorted(
            {
                target
                for target, _ in imports_of(name, tree, late=False)
                if target in TREES and target != name
            }
        )
        for name, tree in TREES.items()
        if within(name, package)
    }
    assert circle_in(wanted) == []


def circle_in(wanted: dict[str, list[str]]) -> list[str]:
    """Return the modules of a circle, or nothing.

    A package is not counted as imported by its own modules: Python runs it first anyway.
    """
    done: set[str] = set()

    def visit(name: str, way: list[str]) -> list[str]:
        if name in way:
            return [*way[way.index(name) :], name]
        if name in done or name not in wanted:
            return []
        for target in wanted[name]:
            if not within(name, target) and (found := visit(target, [*way, name])):
                return found
        done.add(name)
        return []

    return next((found for name in wanted if (found := visit(name, []))), [])


def test_circles_are_found():
    """The search sees a circle of three behind a fork, and none in a plain order."""
    assert circle_in({"a": ["b", "c"], "b": [], "c": ["d"], "d": ["e"], "e": ["c"]}) == [
        "c",
        "d",
        "e",
        "c",
    ]
    assert circle_in({"a": ["b", "c"], "b": ["d"], "c": ["d"], "d": []}) == []


@pytest.mark.parametrize("package", OURS)
def test_nobody_draws_from_the_global_generator(package):
    """Only generators of one's own: neither numpy.random's functions nor the random module."""
    shared = [
        f"{name}:{node.lineno} {ast.unparse(node)}"
        for name, tree in TREES.items()
        if within(name, package)
        for node in ast.walk(tree)
        if draws_from_a_shared_one(node)
    ]
    assert shared == []


def draws_from_a_shared_one(node: ast.AST) -> bool:
    """Say whether a node names something that draws from a generator of all."""
    match node:
        case ast.Attribute(attr=attr, value=value):
            of_numpy = ast.unparse(value) in ("np.random", "numpy.random")
            return of_numpy and attr not in OWN_GENERATORS
        case ast.Import(names=names):
            return any(alias.name == "random" for alias in names)
        case ast.ImportFrom(module="random"):
            return True
        case ast.ImportFrom(module="numpy.random", names=names):
            return any(alias.name not in OWN_GENERATORS for alias in names)
    return False


@pytest.mark.parametrize(
    ("line", "shared"),
    [
        ("x = np.random.normal()", True),
        ("numpy.random.seed(1)", True),
        ("import random", True),
        ("from random import shuffle", True),
        ("from numpy.random import rand", True),
        ("rng = np.random.default_rng(3)", False),
        ("from numpy.random import Generator", False),
        ("rng: np.random.Generator", False),
        ("x = rng.random(3)", False),
    ],
)
def test_shared_generators_are_recognised(line, shared):
    """The rule above sees what it should, and nothing else."""
    assert any(draws_from_a_shared_one(node) for node in ast.walk(ast.parse(line))) is shared


@pytest.mark.parametrize("package", OURS)
def test_generators_are_seeded_or_given(package):
    """No generator is made of nothing: what is drawn could not be drawn again."""
    bare = [
        f"{name}:{node.lineno}"
        for name, tree in TREES.items()
        if within(name, package)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and ast.unparse(node.func).endswith("default_rng")
        and not node.args
        and not node.keywords
    ]
    assert bare == []
