"""The command line as a guide: doors, examples, the next command, the nearest right word."""

import argparse
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from stacktruth.runners import guide
from stacktruth.runners.cli import COMMANDS, build_parser, main
from stacktruth.runners.commands.completion import completion
from stacktruth.runners.commands.list_names import KINDS


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
    status, _, err = said(capsys, "render", *words, "--no-progress", "--workers", "1")
    assert status == 0
    assert err.splitlines()[-1] == f"made: {out}; next: stacktruth score {out} --method focus-map"
    args = build_parser().parse_args(shlex.split(err.partition("next: stacktruth ")[2]))
    assert args.stack.name == "st"


@pytest.mark.parametrize("command", sorted({*COMMANDS} - {"blind", "list", "metrics", "demo"}))
def test_a_path_with_blanks_stays_one_word(command):
    """A shell takes the hint, and what was made, apart into the words that were given."""
    place = "a b/c's $d"
    args = build_parser().parse_args(shlex.split(guide.EXAMPLES[command][0]))
    for name in ("out", "folder", "stack", "to", "keep", "rig"):
        if getattr(args, name, None) is not None:
            setattr(args, name, Path(place) if name != "rig" else place)
    told = guide.hint(args)
    if "a b" in told:
        words = shlex.split(told.replace(";", " ; "))
        assert [word for word in words if "a b" in word or "$d" in word] == [
            word for word in words if word.startswith((place, Path(place).name))
        ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_list_names_a_command_that_takes_its_names(kind):
    """Not the same for each: it can be parsed, and holds the word that the names stand for."""
    args = build_parser().parse_args(["list", kind])
    command = guide.hint(args).partition("next: stacktruth ")[2]
    build_parser().parse_args(shlex.split(command))
    names = {"families": "FAMILY", "reproductions": "NAME"}.get(
        kind, kind.upper().removesuffix("S")
    )
    assert re.search(rf"\b{names}\b", command)


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
        (["score", "STACK", "--method", "focusmap"], "focus-map"),
        (["score", "STACK", "--method", "focus-map+true-wrap"], "true-warp"),
        (["score", "STACK", "--metod", "mean"], "--method"),
        (["check-method", "laplacian-pyramids"], "laplacian-pyramid"),
        (["metrics", "a.png", "a.png", "--name", "sim"], "ssim"),
        (["reproduce", "fusion-block", "--out", "y"], "fusion-blocks"),
        (["bench", "standart", "--out", "y"], "standard"),
        (["plan", "--rig", "field-2x", "--subject-depth", "3", "--stance", "kneling"], "kneeling"),
        (["plan", "--rig", "field-2x", "--subject-depth", "3", "--for", "screeen"], "screen"),
        (["render", "ramp", "--subject", "stil", "--out", "y"], "still"),
    ],
)
def test_a_wrong_word_is_answered_by_the_nearest(words, meant, capsys):
    """Of commands, options, names of files, methods, stages, metrics and choices."""
    status, _, err = said(capsys, *words)
    assert status == 2
    assert f"(did you mean '{meant}'?)" in err


def arguments(parser, words=()):
    """Yield each argument from a parser downward, with the words that lead to it."""
    for action in parser._actions:
        yield words, action
        if isinstance(action, argparse._SubParsersAction):
            for name, below in action.choices.items():
                yield from arguments(below, (*words, name))


PARSED = list(arguments(build_parser()))
OPTIONS = sorted(
    {(words, name) for words, action in PARSED for name in action.option_strings if name[1] == "-"}
)
CHOICES = [
    (words, action.option_strings[:1], sorted(action.choices))
    for words, action in PARSED
    if action.choices
]


def test_every_option_that_is_misspelled_is_answered_by_the_right_one(capsys):
    """Of every command, whatever else is missing: with a letter twice it is nearest to itself."""
    assert len(OPTIONS) > 100
    for words, option in OPTIONS:
        status, _, err = said(capsys, *words, f"{option}{option[-1]}")
        assert status == 2
        assert f"(did you mean '{option}'?)" in err, (words, option, err)


def test_every_choice_that_is_misspelled_is_answered_by_the_right_one(capsys):
    """Of every option that has choices, every command and every part of one."""
    assert len(CHOICES) > 5
    for words, option, choices in CHOICES:
        for choice in choices:
            status, _, err = said(capsys, *words, *option, f"{choice}{choice[-1]}")
            assert status == 2
            assert f"(did you mean '{choice}'?)" in err, (words, option, err)


@pytest.fixture(scope="module")
def bash(tmp_path_factory):
    """Return what bash offers for the last word of a line, after our script."""
    script = tmp_path_factory.mktemp("bash") / "stacktruth.bash"
    script.write_text(completion(build_parser(), "bash"))
    asked = (
        'source "$0"; compopt() { :; }; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); '
        '_shtab_stacktruth "$1" "${@: -1}" "${@: -2:1}"; printf "%s\\n" "${COMPREPLY[@]}"'
    )

    def offered(*words):
        line = ["bash", "--norc", "-c", asked, str(script), "stacktruth", *words]
        ran = subprocess.run(line, cwd=script.parent, capture_output=True, text=True, check=True)
        return ran.stdout.split()

    return offered


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("re", ["render", "report", "review", "reproduce"]),
        ("render pick", ["pickets"]),
        ("render pickets --rig field-", ["field-1x", "field-2x", "field-5x"]),
        ("render pickets --qual", ["--quality"]),
        ("render pickets --quality ex", ["exact"]),
        ("score one --method seam", ["seam-labels"]),
        ("plan --stance kn", ["kneeling"]),
        ("plan --for cr", ["crop100"]),
        ("metrics a.png b.png --name ss", ["ssim"]),
        ("blind ma", ["make"]),
        ("reproduce peak", ["peak-interpolation"]),
    ],
)
def test_bash_completes(line, offered, bash):
    """Bash itself says so: commands, options, choices, shipped names, paths."""
    assert bash(*line.split()) == offered


def test_a_script_for_each_shell_is_printed_and_names_every_option(capsys):
    """By one option of the program, from the parser of all commands."""
    for shell in ("bash", "zsh"):
        status, out, err = said(capsys, "--completion", shell)
        assert (status, err) == (0, "")
        for words, option in OPTIONS:
            assert option in out, (words, option)


def test_every_argument_that_takes_a_shipped_name_is_completed_by_names():
    """What the help says is 'by name' has a function of its own in the script."""
    parser = build_parser()
    completion(parser, "bash")
    by_name = [
        (words, action)
        for words, action in arguments(parser)
        if "by name" in (action.help or "") or (action.help or "").startswith("name")
    ]
    assert len(by_name) > 10
    for words, action in by_name:
        assert action.complete["bash"].startswith("_stacktruth_"), (words, action.dest)


def test_a_word_like_none_is_answered_by_none(capsys):
    """No guess is better than a wild one."""
    _, _, err = said(capsys, "qqqq")
    assert "did you mean" not in err


def test_all_hints_are_of_commands_that_there_are():
    """No command without examples or a next one, and none too many."""
    assert set(guide.EXAMPLES) == set(guide.NEXT) == set(COMMANDS)


def test_a_home_that_cannot_be_written_to_is_not_spoken_of():
    """The plotting library would say so in two lines on stderr."""
    asked = "from stacktruth.runners import cli; import matplotlib; matplotlib.get_cachedir()"
    env = {**os.environ, "HOME": "/proc/1", "XDG_CONFIG_HOME": "", "XDG_CACHE_HOME": ""}
    env.pop("MPLCONFIGDIR", None)
    ran = subprocess.run([sys.executable, "-c", asked], env=env, capture_output=True, check=True)
    assert ran.stderr == b""
