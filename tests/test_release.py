"""What a release is made of: the version, the citation, the fragments of the changelog."""

import importlib.metadata
import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
import yaml

import stacktruth
from stacktruth.runners.cli import main

HOUSE = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((HOUSE / "pyproject.toml").read_text(encoding="utf-8"))
#: The schema of citation-file-format.github.io, see tests/references/README.md.
SCHEMA = json.loads((HOUSE / "tests/references/citation/cff-1.2.0.json").read_text())
FRAGMENTS = [path for path in (HOUSE / "changes").iterdir() if path.name != "README.md"]
#: PEP 440, appendix B, without its rarer spellings.
VERSION = r"\d+(\.\d+)*((a|b|rc)\d+)?(\.post\d+)?(\.dev\d+)?(\+[a-z0-9]+(\.[a-z0-9]+)*)?"


def citation():
    """Return CITATION.cff."""
    return yaml.safe_load((HOUSE / "CITATION.cff").read_text(encoding="utf-8"))


def test_the_citation_keeps_to_its_schema():
    """The published schema of the format says so, and refuses a key that it does not know."""
    jsonschema.validate(citation(), SCHEMA)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(citation() | {"writers": []}, SCHEMA)


def test_the_citation_says_what_the_package_says():
    """Authors, licence, keywords and description stand in both."""
    told, project = citation(), PROJECT["project"]
    assert [one["name"] for one in told["authors"]] == [one["name"] for one in project["authors"]]
    assert told["license"] == project["license"]
    assert told["keywords"] == project["keywords"]
    assert told["abstract"] == project["description"]


def test_the_version_is_of_the_installed_package(capsys):
    """No file holds it; the command and the package say the same, in the form of PEP 440."""
    assert "version" in PROJECT["project"]["dynamic"]
    version = importlib.metadata.version("stacktruth")
    assert re.fullmatch(VERSION, version)
    assert re.fullmatch(VERSION, PROJECT["tool"]["setuptools_scm"]["fallback_version"])
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"stacktruth {version}\n"
    assert stacktruth.__version__ == version


@pytest.mark.parametrize("path", FRAGMENTS, ids=lambda path: path.name)
def test_a_fragment_has_a_kind_and_few_lines(path):
    """As the file beside them says; towncrier would leave out what has another name."""
    kinds = {kind["directory"] for kind in PROJECT["tool"]["towncrier"]["type"]}
    name = re.fullmatch(r"\+[a-z0-9-]+\.([a-z]+)\.md", path.name)
    assert name
    assert name[1] in kinds
    assert 1 <= len(path.read_text(encoding="utf-8").strip().splitlines()) <= 3
    assert all(f"`{kind}`" in (HOUSE / "changes/README.md").read_text() for kind in kinds)


def test_the_changelog_has_its_place_for_the_next_section():
    """Once, above all sections."""
    text = (HOUSE / "CHANGELOG.md").read_text(encoding="utf-8")
    start = PROJECT["tool"]["towncrier"]["start_string"]
    assert text.count(start) == 1
    assert text.index(start) < text.index("\n## ")
