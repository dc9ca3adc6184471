"""The command line as a guide: doors, examples, the next command, the nearest right word."""

import shlex

import pytest

from stacktruth.runners import guide
from stacktruth.runners.cli import COMMANDS, build_parser, main


def said(capsys, *words):
    """Run a command; return its status and what it wrote to both streams."""
    status = main(list(words))
    told = capsys.readouterr()
    return status, told.out, told.err


def test_alone_it_shows_three_doors(capsys):
    """Nothing was wrong, and each door names a command that is there."""
    status, out, err = said(capsys)
    assert (status, err) == (0, "")
    for who in ("If you photograph", "If you write stacking methods", "If you do research"):
        assert who in out
    lines = [line.strip() for line in out.splitlines() if line.startswith("  stacktruth ")]
    assert len(lines) == 4
    for line in lines:
        build_parser().parse_args(shlex.split(line)[1:])


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_two_examples_that_can_be_parsed(command, capsys):
    """They stand at the end, line by line, and are commands as the parser takes them."""
    _, out, _ = said(capsys, command, "--help")
    lines = out.partition("examples:\n")[2].splitlines()
    assert [line.strip() for line in lines] == [
        f"stacktruth {line}" for line in guide.EXAMPLES[command]
    ]
    assert len(lines) == 2
    for line in lines:
        build_parser().parse_args(shlex.split(line)[1:])


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_knows_the_next(command):
    """Its hint can be made of the arguments of each of its examples."""
    for line in guide.EXAMPLES[command]:
        args = build_parser().parse_args(shlex.split(line))
        assert guide.hint(args).partition("next: ")[2], line


def test_a_command_ends_with_what_it_made_and_the_next(tmp_path, capsys):
    """On stderr, so that what is printed can be piped on; the hint can be run as it is."""
    out = str(tmp_path / "st")
    words = ["ramp", "--rig", "test-rig", "--crop", "48x32", "--frames", "2", "--out", out]
    status, _, err = said(capsys, "render", *words, "--no-progress")
    assert status == 0
    assert err.splitlines()[-1] == f"made: {out}; next: stacktruth score {out} --method focus-map"
    args = build_parser().parse_args(shlex.split(err.partition("next: stacktruth ")[2]))
    assert args.stack.name == "st"


def test_what_failed_names_no_next_command(tmp_path, capsys):
    """The error stands alone."""
    status, _, err = said(capsys, "check-stack", str(tmp_path))
    assert status != 0
    assert "next:" not in err


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["rendr"], "render"),
        (["render", "ramp", "--stanc", "x", "--out", "y"], "--stance"),
        (["render", "picket", "--out", "y"], "pickets"),
        (["render", "ramp", "--rig", "field2x", "--out", "y"], "field-2x"),
        (["list", "scene"], "scenes"),
    ],
)
def test_a_wrong_word_is_answered_by_the_nearest(words, meant, capsys):
    """Of commands, options, names of files and choices."""
    status, _, err = said(capsys, *words)
    assert status == 2
    assert f"(did you mean '{meant}'?)" in err


def test_a_word_like_none_is_answered_by_none(capsys):
    """No guess is better than a wild one."""
    _, _, err = said(capsys, "qqqq")
    assert "did you mean" not in err


def test_all_hints_are_of_commands_that_there_are():
    """No command without examples or a next one, and none too many."""
    assert set(guide.EXAMPLES) == set(guide.NEXT) == set(COMMANDS)
