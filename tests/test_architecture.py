"""How the house is built: which way imports go, and where randomness comes from."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[1]
OURS = ("ground", "simulator", "metrics", "runners")
# A package may import itself and these.
MAY_IMPORT = {
    "ground": set(),
    "simulator": {"ground"},
    "metrics": {"ground"},
    "runners": {"ground", "simulator", "metrics"},
}
# Modules at the top of a package are its ground floor, which all its rooms may use, but for these:
# they open the house to the outside, and may use all of it.
FRONTS = {
    "simulator",
    "metrics",
    "metrics.registry",
    "metrics.table",
    "runners",
    "runners.cli",
}
# The rooms of a package, and the other rooms of it that each may use.
ARROWS = {
    "simulator.scene.pattern": "",
    "simulator.scene.relief": "scene.pattern",
    "simulator.scene.texture": "scene.pattern scene.relief",
    "simulator.family": "",
    "simulator.scene.mesh": "scene.pattern scene.texture",
    "simulator.scene": "family scene.mesh scene.relief scene.texture",
    "simulator.handling": "",
    "simulator.view": "handling scene scene.mesh scene.relief scene.texture",
    "simulator.blur": "handling view",
    "simulator.compositing": "blur scene view",
    "simulator.loading": "compositing family scene view",
    "simulator.shooting": "blur compositing handling scene view",
    "simulator.stack": "shooting",
    "simulator.export": "scene view",
    "metrics.focus": "",
    "metrics.fusion": "focus",
    "metrics.image": "",
    "metrics.registration": "image",
    "metrics.artefacts": "image",
    "runners.methods.picture": "",
    "runners.methods.align": "methods.picture",
    "runners.methods.fuse": "methods.align methods.picture",
    "runners.methods": "methods.align methods.fuse methods.picture",
    "runners.isolate": "methods",
    "runners.judge": "isolate methods.picture",
    "runners.demo": "isolate judge methods.picture",
    "runners.plan.draw": "",
    "runners.plan.advise": "plan.draw",
    "runners.plan.show": "plan.advise plan.draw",
    "runners.plan.study": "isolate judge methods.picture plan.advise plan.draw plan.show",
    "runners.plan.trial": "plan.advise plan.draw plan.show plan.study",
    "runners.plan": "plan.advise plan.draw plan.show plan.study",
    "runners.calibrate": "methods.align methods.picture plan.draw",
    "runners.calibrate.lens": "calibrate methods.align methods.picture",
    "runners.review": "calibrate methods.align methods.picture plan.show",
    "runners.bench.grid": "isolate",
    "runners.bench.running": "bench.grid isolate judge",
    "runners.bench.ranking": "bench.grid judge methods",
    "runners.bench.report": "bench.grid bench.ranking bench.running judge methods.picture",
    "runners.bench": "bench.grid bench.running",
    "runners.blind": "bench.grid isolate judge",
    "runners.dataset": "bench.grid",
    "runners.reproduce": (
        "bench.grid bench.ranking demo isolate judge methods.align methods.fuse methods.picture"
    ),
    "runners.examples": "",
    "runners.commands": (
        "bench.grid bench.ranking bench.report bench.running blind calibrate calibrate.lens "
        "dataset demo isolate judge methods plan plan.draw plan.show plan.study reproduce review"
    ),
}
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


@cache
def trees() -> dict[str, ast.Module]:
    """Return the parsed modules, in the process that asks: not every worker does."""
    return {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}


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


def test_the_house_has_its_packages():
    """Each is there and has modules; else the rules below would hold of nothing."""
    for package in OURS[1:]:
        assert len(modules(package)) > 10, package
    assert modules("ground")


def room_of(name: str) -> str:
    """Return the room that a module is in; a package's own file is in the package."""
    return name if MODULES[name].name == "__init__.py" else name.rpartition(".")[0]


def against_the_arrows(name: str, targets: list[str]) -> list[str]:
    """Return those of a module's imports that its room may not make."""
    package, room = name.partition(".")[0], room_of(name)
    if name in FRONTS:
        return []
    allowed = {f"{package}.{one}" for one in ARROWS.get(room, "").split()} | {room, package}
    return [
        target
        for target in targets
        if within(target, package) and (room_of(target) not in allowed or target in FRONTS)
    ]


def test_every_room_has_its_arrows():
    """A new room is named with what it may use, and none is named that is not there."""
    rooms = {room_of(name) for name in MODULES} - set(OURS)
    assert rooms == set(ARROWS)


@pytest.mark.parametrize("name", sorted(MODULES))
def test_rooms_use_only_the_rooms_they_may(name):
    """A module imports from its own room, the ground floor, and the rooms that ARROWS names."""
    targets = [target for target, _ in imports_of(name, trees()[name]) if target in MODULES]
    assert against_the_arrows(name, targets) == []


def test_an_import_against_the_arrows_is_seen():
    """Blur may not use what composites it, nor metrics of pictures the table of all metrics."""
    assert against_the_arrows("simulator.blur.basis", ["simulator.compositing.render"])
    assert against_the_arrows("metrics.image.image", ["metrics.table"])
    assert not against_the_arrows("simulator.compositing.render", ["simulator.blur.basis"])


def test_rooms_have_floors():
    """The arrows between rooms make no circle."""
    below = {
        room: [f"{room.partition('.')[0]}.{one}" for one in arrows.split()]
        for room, arrows in ARROWS.items()
    }
    flat = {room.replace(".", "/"): [o.replace(".", "/") for o in to] for room, to in below.items()}
    assert circle_in(flat) == []


@pytest.mark.parametrize("package", OURS)
def test_imports_follow_the_arrows(package):
    """Simulator and metrics know nothing of each other or of runners; runners knows both."""
    others = [other for other in OURS if other != package and other not in MAY_IMPORT[package]]
    against = [
        f"{name}:{line} imports {target}"
        for name, tree in trees().items()
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
                if target in trees() and target != name
            }
        )
        for name, tree in trees().items()
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
        for name, tree in trees().items()
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
        for name, tree in trees().items()
        if within(name, package)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and ast.unparse(node.func).endswith("default_rng")
        and not node.args
        and not node.keywords
    ]
    assert bare == []
