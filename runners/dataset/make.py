"""Makes a data set: what is done is kept, what is missing or damaged is made."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter
from tqdm import tqdm

from ...ground import atomic
from ...ground.arrays import checked_device
from ...ground.atomic import write_whole
from ...ground.checksum import sha256
from ...ground.json_text import read_json
from ...ground.litter import remove_litter, removed
from ...ground.locks import locked
from ...ground.text import plain_line
from ...ground.types import Device
from ...simulator.data import shown_value
from ...simulator.stack.manifest import (
    StackError,
    canonical_json,
    plan_to_data,
    pretty_json,
    versions,
)
from ...simulator.stack.stackio import Stack, read_stack, write_stack
from ...simulator.steps import side_by_side
from ..request import RequestError, StoppedError, request
from .croissant import DESCRIPTION, description
from .index import StackFacts, facts_of, sums_text, tables
from .packed import SUFFIX, PackedStack, pack_stack
from .papers import SUMS, counted, papers
from .plan import DatasetPlan, sources_sha256, without_places
from .planned import PlannedStack, check_plan, name_of, planned

#: What a data set says about how it is made, from its first moment on.
BEGUN = "dataset.json"
STACKS_FOLDER = "stacks"
_SHOWN = 4
_PLAN = TypeAdapter(DatasetPlan)

Work = Callable[[Callable[[int], StackFacts], Sequence[int]], Iterator[StackFacts]]


def make_dataset(
    plan: DatasetPlan,
    out: str | Path,
    *,
    workers: int = 1,
    work: Work | None = None,
    shard: tuple[int, int] = (1, 1),
    progress: bool = False,
    device: Device = "cpu",
) -> str:
    """Make the stacks of a data set that are not there yet, and its tables when all are.

    Parameters
    ----------
    plan : DatasetPlan
    out : path
        Its folder; one that holds the same data set, or fewer stacks of it, is gone on with.
    workers : int
        Processes, each with one stack at a time; the bytes are the same for any number.
    work : callable or None
        Does the stacks instead: takes a function and the numbers that it is to be called with,
        yields what it gives in their order.
    shard : (which, of how many)
        Only each n-th stack, from the given one of n on, for several machines on one folder.
    progress : bool
        Whether to draw a progress bar on stderr.
    device : {"cpu", "cuda"}
        What pictures are worked out on.

    Returns
    -------
    str
        What is there now, in a line or two.

    Raises
    ------
    RequestError
        A plan that cannot be carried out, or a folder of something else; nothing was written.
    StoppedError
        Processes were ended from outside; what is done is kept.
    simulator.stack.manifest.StackError
        A stack that is there is not the plan's.
    """
    folder = Path(out).absolute()
    with request():
        check_plan(plan)
        checked_device(device)
        begun = pretty_json(_begun(plan))
        _refuse_other_contents(folder, plan)
    (folder / STACKS_FOLDER).mkdir(parents=True, exist_ok=True)
    with _alone(folder, shard):
        for place in (folder, folder / STACKS_FOLDER):  # of runs that were killed
            remove_litter(place, prefix=".")
        write_whole(folder / BEGUN, begun.encode())
        which, count = shard
        numbers = range(which - 1, plan.count, count)
        keep = partial(keep_stack, folder, plan, device=device)
        done = (work or partial(_here, workers=workers))(keep, numbers)
        with tqdm(total=len(numbers), desc="data set", unit="stack", disable=not progress) as bar:
            made = {}
            for number, facts in zip(numbers, done, strict=True):
                made[number] = facts
                bar.update()
        return f"{plain_line(str(out))}: {_told(folder, plan, made)}"


def _here(
    keep: Callable[[int], StackFacts], numbers: Sequence[int], *, workers: int
) -> Iterator[StackFacts]:
    try:
        yield from side_by_side(keep, numbers, workers=workers)
    except RuntimeError as error:
        raise StoppedError(
            f"{error}; what is done is kept, the same command goes on with it"
        ) from error


def keep_stack(
    folder: Path, plan: DatasetPlan, number: int, *, device: Device = "cpu"
) -> StackFacts:
    """See that a stack is there and sound; make it if not.

    Parameters
    ----------
    folder : Path
        Of the data set.
    plan : DatasetPlan
    number : int
        Of the stack.
    device : {"cpu", "cuda"}
        What pictures are worked out on.

    Raises
    ------
    simulator.stack.manifest.StackError
        It is sound but another one.
    """
    one = planned(plan, number)
    path = stack_path(folder, plan, number)
    stack = _sound(path, plan)
    if stack is None:
        _clear(path)
        _make(replace(one, shoot=replace(one.shoot, device=device)), path, plan)
        stack = _opened(path, plan)
    wanted = plan_to_data(one.shoot) | {"encoding": stack.shoot.encoding}
    if canonical_json(plan_to_data(stack.shoot)) != canonical_json(wanted):
        raise StackError(
            f"{path}: got another stack than {one.name} of this plan, allowed that or none; "
            "move it away",
            file=path.name,
        )
    return facts_of(one, stack, folder=folder)


def stack_path(folder: Path, plan: DatasetPlan, number: int) -> Path:
    """Return where a stack is, or will be."""
    suffix = SUFFIX if plan.layout == "npz" else ""
    return folder / STACKS_FOLDER / f"{name_of(plan, number)}{suffix}"


def _opened(path: Path, plan: DatasetPlan) -> Stack | PackedStack:
    return PackedStack(path) if plan.layout == "npz" else read_stack(path, verify=False)


def _sound(path: Path, plan: DatasetPlan) -> Stack | PackedStack | None:
    """Return the stack at a path; None where there is none, or one that is damaged."""
    try:
        if plan.layout == "folders":
            return read_stack(path)
        packed = PackedStack(path)
        packed.check()
    except StackError:
        return None
    return packed


def _clear(path: Path) -> None:
    """Remove what is damaged."""
    if path.is_dir() and not path.is_symlink():
        removed(path)
    with suppress(FileNotFoundError):
        path.unlink()


def _make(one: PlannedStack, path: Path, plan: DatasetPlan) -> None:
    if plan.layout == "folders":
        write_stack(one.shoot, path, format=plan.format, progress=False)
        return
    with atomic.whole_file(path) as draft:
        place = write_stack(one.shoot, draft.with_name("stack"), format=plan.format, progress=False)
        pack_stack(read_stack(place, verify=False), draft)


def _begun(plan: DatasetPlan) -> dict[str, Any]:
    return {
        "layout": 1,
        "plan": _PLAN.dump_python(without_places(plan), mode="json"),
        "sources": sources_sha256(plan),
        "versions": versions(),
    }


def _refuse_other_contents(folder: Path, plan: DatasetPlan) -> None:
    """Refuse a folder that holds anything but this data set, or fewer stacks of it."""
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise RequestError(f"{folder}: got a file, allowed a folder of a data set or a new one")
    names = sorted(name for name in os.listdir(folder) if not name.startswith("."))
    if not names:
        return
    if BEGUN not in names:
        shown = ", ".join(plain_line(name, longest=60) for name in names[:_SHOWN])
        raise RequestError(
            f"{folder}: got a folder that holds {shown} and no {BEGUN}, allowed a data set, an "
            "empty folder or a new one\nnothing was changed"
        )
    held, asked = read_json(folder / BEGUN), _begun(plan)
    if not isinstance(held, dict) or not isinstance(held.get("plan"), dict):
        raise RequestError(f"{folder / BEGUN}: got no plan of a data set, allowed one")
    for part in ("plan", "sources"):
        _refuse_difference(folder, part, held.get(part), asked[part])
    code, ours = held.get("versions", {}).get("code"), asked["versions"]["code"]
    if code != ours:
        raise RequestError(
            f"{folder}: got a data set made by other code ({str(code)[:12]}), allowed one of this "
            f"({ours[:12]}): give a new folder\nnothing was changed"
        )


def _refuse_difference(folder: Path, part: str, held: Any, asked: dict[str, Any]) -> None:
    found = held if isinstance(held, dict) else {}
    for key in {**asked, **found}:
        got, there = asked.get(key), found.get(key)
        if key == "count" and isinstance(there, int) and asked[key] >= there:
            continue  # it grows
        if got != there:
            raise RequestError(
                f"{folder}: holds another data set: {key}: got {shown_value(got)}, allowed "
                f"{shown_value(there)}{' or more' if key == 'count' else ''}, or a new folder\n"
                "nothing was changed"
            )


@contextmanager
def _alone(folder: Path, shard: tuple[int, int]) -> Iterator[None]:
    """Keep others from the same part of a data set."""
    try:
        with locked(folder / f".lock-{shard[0]}-of-{shard[1]}", wait=False):
            yield
    except BlockingIOError:
        raise RequestError(
            f"{folder}: got shard {shard[0]}/{shard[1]}, which is being made already, allowed "
            "one run at a time"
        ) from None


def _told(folder: Path, plan: DatasetPlan, made: dict[int, StackFacts]) -> str:
    """Write the tables if all stacks are there; say what is."""
    missing = [
        number
        for number in range(plan.count)
        if number not in made and not stack_path(folder, plan, number).exists()
    ]
    if missing:
        return (
            f"{plan.count - len(missing)} of {plan.count} stacks are there; "
            "the tables come with the last of them"
        )
    facts = [
        made[number] if number in made else _seen(folder, plan, number)
        for number in range(plan.count)
    ]
    total = write_tables(folder, plan, facts)
    size_mb = sum(one.row["bytes"] for one in facts) / 1e6
    return f"{len(facts)} stacks, {size_mb:.1f} MB: {counted(facts)}\nSHA-256 of {SUMS}: {total}"


def _seen(folder: Path, plan: DatasetPlan, number: int) -> StackFacts:
    """Return what is to be said of a stack that another shard made and checked."""
    stack = _opened(stack_path(folder, plan, number), plan)
    return facts_of(planned(plan, number), stack, folder=folder)


def write_tables(folder: Path, plan: DatasetPlan, facts: Sequence[StackFacts]) -> str:
    """Write all that is said of the stacks; return the checksum of the whole.

    Parameters
    ----------
    folder : Path
    plan : DatasetPlan
    facts : sequence of StackFacts
        Of all stacks, in their order.
    """
    found = tables(facts)
    texts = {**found, **papers(plan, facts)}
    sums = [(name, sha256(text.encode())) for name, text in texts.items()]
    sums += [pair for one in facts for pair in one.sums]
    texts[SUMS] = sums_text(sorted(sums))
    total = sha256(texts[SUMS].encode())
    described = description(
        plan,
        facts,
        found,
        date=datetime.now(UTC).date().isoformat(),
        total=total,
        version=versions()["stacktruth"],
    )
    texts[DESCRIPTION] = pretty_json(described)
    for name, text in texts.items():
        write_whole(folder / name, text.encode())
    return total
