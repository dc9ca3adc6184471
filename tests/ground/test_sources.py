"""What a checksum of code covers: every import, wherever it stands."""

import ast

from stacktruth.ground.sources import _statements, code_checksum, import_closure

_EVERY_BLOCK = """
from .plain import a
def f():
    from .function import a
    with a:
        from .held import a
    return lambda: a
async def g():
    async for _ in a:
        from .loop import a
    else:
        from .looped import a
class C:
    from .inside import a
if a:
    from .so import a
elif b:
    from .otherwise import a
else:
    from .neither import a
while a:
    from .again import a
try:
    from .tried import a
except E:
    from .failed import a
else:
    from .went_well import a
finally:
    from .at_the_end import a
match a:
    case 1:
        from .matched import a
"""


def test_imports_are_found_in_every_kind_of_block():
    """As many as the standard library's walk over the whole tree, expressions too, finds."""
    tree = ast.parse(_EVERY_BLOCK)
    walked = [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    found = [node.module for node in _statements(tree) if isinstance(node, ast.ImportFrom)]
    assert len(found) == _EVERY_BLOCK.count("import")
    assert sorted(found) == sorted(walked)


def test_closures_hold_what_is_imported_and_the_packages_above():
    """A module, what it imports from the ground, and their packages; nothing of the runners."""
    rig = {path.name for path in import_closure("simulator.rig")}
    assert {"rig.py", "data.py", "toml.py", "__init__.py"} <= rig
    simulator = {path.parts[-3] for path in import_closure("simulator")}
    assert "simulator" in simulator
    assert "runners" not in simulator
    assert code_checksum("simulator.pose") != code_checksum("simulator")
