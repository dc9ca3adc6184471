"""Python methods that stay loaded over the stacks of one worker, because their tables ask for it.

A model that takes a minute to load is loaded once. What else is promised still holds: each stack's
time is ours, from when its frames are there; between two stacks all processes of the method are
stopped; its result is taken away and read while they are; after anything but a good end, or when a
file that it loaded has changed, the next stack gets a fresh process. What cannot be promised is
that a method forgets the stack before, so its rows say that it stayed.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from multiprocessing.util import Finalize
from pathlib import Path
from typing import Any

from ...ground.litter import removed
from ..contract import DONE, Outcome
from .channel import Channel
from .child import HANDED
from .identity import changed
from .isolation import ends_with_us
from .method import Method
from .python_method import TAKEN, child_command, job_line, laid_out, outcome_of_child
from .supervise import Limits, Supervised
from .workplace import workplace


class Staying:
    """One process of a method, for one stack after another.

    Parameters
    ----------
    method : Method
        A Python function.
    limits : Limits
        Of each stack.
    hidden : sequence of Path
        Folders with truth.
    work_dir : Path or None
        Where its own folder is made.

    Attributes
    ----------
    place : Workplace
    since_ns : int
        When it was made, ns since 1970.
    loaded : dict
        What it was last known to have loaded.
    is_sound : bool
        Whether it may be given another stack.
    """

    def __init__(
        self,
        method: Method,
        *,
        limits: Limits,
        hidden: Sequence[Path],
        work_dir: Path | None,
    ) -> None:
        self._method, self._limits, self._hidden = method, limits, tuple(hidden)
        self._kept = ExitStack()
        self.place = self._kept.enter_context(workplace(work_dir))
        self.since_ns = time.time_ns()
        self.loaded: dict[str, str] = {}
        self.is_sound = True
        self._run: Supervised | None = None

    def run(self, frames: Sequence[Any], info: Mapping[str, Any]) -> Outcome:
        """Run the method on a stack; all of its processes are stopped afterwards, or ended."""
        self.is_sound = False  # until it has ended well
        if self._run is not None:
            self.place.take_frames_back()
        paths, info = laid_out(frames, info, self.place)
        line = job_line(self._method, paths, info, stays=True)
        if self._run is None:
            self._run = self._started(line)
        else:
            removed(self.place.folder / HANDED)
            removed(self.place.root / TAKEN)
            self.place.hand_over_frames()
            self._run.go_on(line)
        run = self._run
        if run.look_on():
            run.hold()
            ended = run.rested()
        else:
            self._run = None
            run.end()
            ended = run.ended()
        outcome = outcome_of_child(ended, self.place, info, self._limits)
        self.is_sound = self._run is not None and outcome.status in DONE
        return outcome

    def _started(self, line: bytes) -> Supervised:
        def begin() -> bytes:
            self.place.hand_over_frames()
            return line

        argv, env = child_command(
            self._method, self.place, given=self._method.code_files, hidden=self._hidden
        )
        channel = Channel(begin, stays=True)
        return Supervised(
            argv, cwd=self.place.folder, env=env, limits=self._limits, channel=channel
        )

    def serves(self, hidden: Sequence[Path]) -> bool:
        """Tell whether it may be given a stack with these folders of truth."""
        covered = [path.resolve() for path in self._hidden]
        return (
            self.is_sound
            and self._run is not None
            and self._run.is_alive
            and all(any(path.resolve().is_relative_to(one) for one in covered) for path in hidden)
            and not changed(self.loaded)
        )

    def end(self) -> None:
        """End its processes and remove its folder."""
        if self._run is not None:
            self._run.end()
            self._run = None
        self._kept.close()


class StayingMethods:
    """The methods that stay loaded in this process, each by itself.

    Parameters
    ----------
    over_stacks : bool
        Whether they do stay: a run that is to owe nothing to others has a process of its own.
    """

    def __init__(self, *, over_stacks: bool = True) -> None:
        self._resting: dict[object, Staying] = {}
        self._over_stacks = over_stacks
        # Of a worker, too, which ends without running what atexit holds.
        Finalize(self, self.close, exitpriority=10)

    @contextmanager
    def lent(
        self,
        method: Method,
        *,
        limits: Limits,
        hidden: Sequence[Path],
        work_dir: Path | None,
    ) -> Iterator[Staying]:
        """Lend the process of a method, made where there is none that may be used.

        Parameters
        ----------
        method, limits, hidden, work_dir
            As for `Staying`.
        """
        key = (method.child_spec, method.version, limits, work_dir)
        found = self._resting.pop(key, None)
        if found is not None and not found.serves(hidden):
            found.end()
            found = None
        one = found or Staying(method, limits=limits, hidden=hidden, work_dir=work_dir)
        try:
            yield one
        except BaseException:
            one.is_sound = False
            raise
        finally:
            # Where this process may be killed and leave it behind, it does not stay.
            stays = self._over_stacks and ends_with_us()
            if stays and one.is_sound and key not in self._resting:
                self._resting[key] = one
            else:
                one.end()

    def close(self) -> None:
        """End all of them."""
        while self._resting:
            self._resting.popitem()[1].end()
