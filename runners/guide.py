"""The command line as a guide: three doors, two examples a command, and the likely next one."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Callable
from pathlib import Path

DOORS = """\
stacktruth: handheld macro stacks with known truth, and scores for stacking methods

If you photograph: what step, how many frames, which power?
  stacktruth plan --rig field-2x --subject-depth 3 --stance kneeling --out plan
If you write stacking methods: is mine better?
  stacktruth render steps --stance braced --frames 5 --crop 3072x2048 --bin 16 --out one
  stacktruth score one --method path/to/my_method.py:merge --method focus-map
If you do research: stacks with their truth, and many of them
  stacktruth bench quick --out quick

stacktruth demo shows what it is, stacktruth list what is shipped, stacktruth --help all commands"""

#: Two of each, as the help of a command shows them.
EXAMPLES = {
    "demo": ("demo", "demo --out demo --workers 4"),
    "draw": (
        "draw leaf --seed 7 --out leaf-7.toml",
        "draw my-family.toml --seed 1 --out mine.toml",
    ),
    "dataset": (
        "dataset leaf shell --count 20 --frames 10 --crop 2048x2048 --bin 8 --out stacks",
        "dataset families --count 200 --crop 256x256 --layout npz --shard 2/5 --out stacks",
    ),
    "render": (
        "render pickets --crop 3072x2048 --bin 8 --out pickets",
        "render mineral --plan plan/plan.json --crop 1536x1024 --bin 2 --seed 3 --out try-3",
    ),
    "score": (
        "score pickets --method focus-map --method my_method.py:merge",
        "score pickets --image merged.tif --name elsewhere --keep looked-at",
    ),
    "metrics": ("metrics merged.tif other.tif", "metrics merged.tif other.tif --name ssim"),
    "bench": ("bench quick --out quick", "bench my-suite.toml --out mine --workers 2"),
    "compare": (
        "compare mine --method my_method:merge --against focus-map",
        "compare mine --method my_method:merge --against focus-map --by kind --pictures cases.png",
    ),
    "verify": ("verify quick", "verify quick --cells 10 --seed 1"),
    "blind": (
        "blind make my-suite.toml --out contest",
        "blind score contest answers --key contest.key",
    ),
    "report": ("report quick", "report quick --no-progress"),
    "plan": (
        "plan --rig field-2x --subject-depth 3 --stance kneeling --out plan",
        "plan --rig my.toml --subject-depth 2 --stance me.toml --light me-light.toml",
    ),
    "calibrate": (
        "calibrate my-burst --rig field-2x --out me.toml",
        "calibrate my-burst --rig my-rig.toml --fps 8 --json",
    ),
    "calibrate-lens": (
        "calibrate-lens my-card --pitch 3.9 --step 0.05 --out my-rig.toml",
        "calibrate-lens my-card --rig my-rig.toml --magnification 2 --figure lens.png",
    ),
    "review": (
        "review my-burst --rig field-2x --out look",
        "review my-burst --rig my-rig.toml --for print 40 --json",
    ),
    "reproduce": (
        "reproduce autofocus-curves --out curves",
        "reproduce autofocus-curves --quick --out look",
    ),
    "list": ("list", "list scenes"),
    "check-method": (
        "check-method my_method.py:merge",
        'check-method "my-program --out {output} {frames}"',
    ),
    "check-stack": ("check-stack pickets", "check-stack path/to/stack"),
    "export": ("export pickets --to pickets.ply", "export my-scene.toml --to mine.obj --bin 8"),
    "gallery": ("gallery --out gallery.png", "gallery --families leaf --draws 8 --out leaves.png"),
}


def _word(path: object) -> str:
    """Return a path as one types it: in quotes where it has blanks or the like."""
    return shlex.quote(str(path))


def epilog(command: str) -> str:
    """Return the examples of a command as its help ends with them."""
    return "\n".join(["examples:", *(f"  stacktruth {line}" for line in EXAMPLES[command])])


def _blind(args: argparse.Namespace) -> str:
    if args.part == "make":
        return (
            f"hand out {_word(args.out)}; authors try: "
            f"stacktruth blind check {_word(args.out)} THEIR_FOLDER"
        )
    if args.part == "check":
        return f"send {_word(args.submission)} to the maker of the set"
    return "see which columns there are: docs/reference/columns.md"


def _calibrate(args: argparse.Namespace) -> str:
    if args.how:
        return "shoot it, then: stacktruth calibrate my-burst --rig my-rig.toml --out me.toml"
    if args.out is None:
        return "add --out me.toml to write stance and light as files"
    light = Path(args.out).with_name(f"{Path(args.out).stem}-light.toml")
    return (
        f"stacktruth plan --rig {_word(args.rig)} --subject-depth 3 --stance {_word(args.out)} "
        f"--light {_word(light)} --out plan"
    )


def _calibrate_lens(args: argparse.Namespace) -> str:
    if args.how:
        return (
            "shoot it, then: stacktruth calibrate-lens my-card --pitch 3.9 --step 0.05 "
            "--out my-rig.toml"
        )
    if args.out is None:
        return "add --out my-rig.toml to write the lens as a rig, --figure FILE.png to look at it"
    return f"stacktruth plan --rig {_word(args.out)} --subject-depth 3 --stance kneeling --out plan"


def _plan(args: argparse.Namespace) -> str:
    if args.out is None:
        return "add --out DIR for the page and the card to take along"
    return (
        f"open {_word(f'{args.out}/index.html')}; your own hands: stacktruth calibrate FRAMES "
        f"--rig {_word(args.rig)}"
    )


def _render(args: argparse.Namespace) -> str:
    if args.plan is not None:
        return f"open {_word(f'{args.out}/index.html')}; another --seed is another try"
    return f"stacktruth score {_word(args.out)} --method focus-map"


def _score(args: argparse.Namespace) -> str:
    if args.keep is not None:
        return f"open {_word(f'{args.keep}/index.html')}"
    return "add --keep DIR to look at the pictures, --csv FILE for all columns; many scenes: bench"


_PLAN = "stacktruth plan --rig RIG --subject-depth 3 --stance STANCE --light LIGHT --out plan"
_SCORE = "stacktruth score STACK --method METHOD"
_RENDER = "stacktruth render SCENE --out STACK"
#: What takes the names that ``list`` tells.
_TAKES = {
    "families": "stacktruth gallery FAMILY:1 FAMILY:2 --out look.png",
    "rigs": _PLAN,
    "stances": _PLAN,
    "lights": _PLAN,
    "subjects": f"{_RENDER} --subject SUBJECT",
    "methods": _SCORE,
    "stages": f"{_SCORE} --method METHOD+STAGE",
    "metrics": "stacktruth metrics merged.tif other.tif --name METRIC",
    "suites": "stacktruth bench SUITE --out mine",
    "reproductions": "stacktruth reproduce NAME --quick --out look",
}


#: What one likely does after a command that went well.
NEXT: dict[str, Callable[[argparse.Namespace], str]] = {
    "demo": lambda args: "stacktruth list scenes, then stacktruth render SCENE --out STACK",
    "draw": lambda args: (
        f"stacktruth gallery {_word(args.out)} --out {_word(f'{Path(args.out).stem}.png')}"
    ),
    "dataset": lambda args: (
        f"open {_word(f'{args.out}/README.txt')}, which comes with the last stack; "
        "stacktruth.open_dataset reads it by split"
    ),
    "render": _render,
    "score": _score,
    "metrics": lambda args: "stacktruth list metrics tells what each number is",
    "bench": lambda args: f"stacktruth report {_word(args.out)}",
    "report": lambda args: (
        f"open {_word(f'{args.folder}/report.html')}; stacktruth verify {_word(args.folder)}"
    ),
    "compare": lambda args: (
        "add --by kind, stance or region to see where"
        if args.by is None
        else f"stacktruth report {_word(args.folder)}"
    ),
    "verify": lambda args: f"stacktruth report {_word(args.folder)}",
    "blind": _blind,
    "plan": _plan,
    "calibrate": _calibrate,
    "calibrate-lens": _calibrate_lens,
    "review": lambda args: (
        "add --out DIR for the page with its pictures"
        if args.out is None
        else f"open {_word(f'{args.out}/index.html')}; merge the frames that it keeps"
    ),
    "reproduce": lambda args: f"open {_word(f'{args.out}/summary.md')}",
    "list": lambda args: _TAKES.get(args.kind, _RENDER),
    "check-method": lambda args: _SCORE,
    "check-stack": lambda args: f"stacktruth score {_word(args.stack)} --method focus-map",
    "export": lambda args: f"open {_word(args.to)} in any renderer; lengths are mm",
    "gallery": lambda args: f"open {_word(args.out)}; stacktruth render SCENE --out STACK",
}


#: Options that name what a command makes, beside what it prints.
_MADE = ("out", "to", "csv", "keep", "latex", "pictures", "figure")


def hint(args: argparse.Namespace) -> str:
    """Return the line that a command ends with, on stderr: what it made, what one does next."""
    paths = [getattr(args, name, None) for name in _MADE]
    made = ", ".join(_word(path) for path in paths if path is not None)
    return f"{f'made: {made}; ' if made else ''}next: {NEXT[args.command](args)}"
