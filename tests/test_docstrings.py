"""The examples of docstrings give what they show."""

import doctest
from importlib import import_module
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[1]
OURS = ("ground", "simulator", "metrics", "runners")


def modules_with_examples():
    """Return the names of our modules whose text holds a prompt."""
    return sorted(
        ".".join(("stacktruth", *path.relative_to(HOUSE).with_suffix("").parts))
        for package in OURS
        for path in (HOUSE / package).rglob("*.py")
        if ">>> " in path.read_text(encoding="utf-8")
    )


class Finder(doctest.DocTestFinder):
    """Finds examples of metrics too, which are objects that are called."""

    def find(self, obj, name=None, module=None, globs=None, extraglobs=None):
        """Return the tests of a module, with those of its callable objects."""
        found = super().find(obj, name, module, globs, extraglobs)
        for key, one in vars(obj).items():
            if callable(one) and not isinstance(one, type) and not hasattr(one, "__code__"):
                text = getattr(one, "__doc__", None) or ""
                if ">>> " in text and getattr(one, "compute", None) is not None:
                    parser = doctest.DocTestParser()
                    found.append(parser.get_doctest(text, dict(vars(obj)), key, None, None))
        return found


def examples_of(name):
    """Return the names of what has an example in a module."""
    return [test.name for test in Finder().find(import_module(name), name) if test.examples]


def test_fifty_functions_have_an_example():
    """Those that users meet first; the test below runs every one."""
    assert sum(len(examples_of(name)) for name in modules_with_examples()) >= 50


@pytest.mark.parametrize("name", modules_with_examples())
def test_examples_give_what_they_show(name):
    """Each runs in a namespace of its own."""
    module = import_module(name)
    runner = doctest.DocTestRunner()
    for test in Finder().find(module, module.__name__):
        runner.run(test)
    assert runner.tries > 0
    assert runner.failures == 0
