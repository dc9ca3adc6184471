"""Claims in two ledgers: published statements, judged strictly and leniently, and our own findings.

Only a statement that a publication makes and that can be quoted is in the first; what we expected
by ourselves, worked out beforehand or found in the field is in the second. The two are never
summed. What was left out of a number stands beside it, with the number that has it in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd

from .report import write_table

Ledger = Literal["published", "own"]
#: How a verdict is written; `None` is for what leaves nothing to agree with.
WORDS = {True: "yes", False: "no", None: "cannot say"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One statement or number, and what came out here.

    Parameters
    ----------
    claim : str
        In words.
    published : str
        Number or order as printed, or as read off a figure; in the ledger of our own, what was
        expected.
    ours : str
    strict : bool or None
        Whether the statement holds as it stands, nothing forgiven. None where the publication
        contradicts itself or leaves nothing to agree with.
    strict_rule : str
        When the two count as agreeing.
    lenient : bool or None, optional
        Whether the sense of it holds; the strict verdict where it is left out.
    lenient_rule : str
    why : str
        Why the lenient rule forgives what it does; told wherever the rules differ.
    source : str
    ledger : {'published', 'own'}

    Raises
    ------
    ValueError
        A verdict is strictly but not leniently yes, or a lenient rule has no reason.
    """

    claim: str
    published: str
    ours: str
    strict: bool | None
    strict_rule: str
    lenient: bool | None = None
    lenient_rule: str = ""
    why: str = ""
    source: str
    ledger: Ledger = "own"

    def __post_init__(self) -> None:
        if not self.lenient_rule and self.lenient is None:
            object.__setattr__(self, "lenient", self.strict)
        if self.lenient_rule and not self.why:
            raise ValueError(f"{self.claim!r}: a lenient rule tells why it forgives")
        if self.strict and not self.lenient:
            raise ValueError(f"{self.claim!r}: what agrees strictly agrees leniently")
        if not self.lenient_rule and self.lenient != self.strict:
            raise ValueError(f"{self.claim!r}: two verdicts need two rules")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """What was left out of a number, why, and the number that has it in.

    Parameters
    ----------
    number : str
        What is told, in words.
    told, without : str
        The number as it is told, and without the exclusion; a reason where there is none.
    left_out : tuple of str
    reasons : tuple of str
        All of them.
    """

    number: str
    told: str
    without: str
    left_out: tuple[str, ...]
    reasons: tuple[str, ...]


def write_claims(path: Path, claims: Sequence[Claim]) -> None:
    """Write the claims, both ledgers in one table, a row each."""
    columns = {
        "ledger": [claim.ledger for claim in claims],
        "claim": [claim.claim for claim in claims],
        "published": [claim.published for claim in claims],
        "ours": [claim.ours for claim in claims],
        "strict": [WORDS[claim.strict] for claim in claims],
        "strict rule": [claim.strict_rule for claim in claims],
        "lenient": [WORDS[claim.lenient] for claim in claims],
        "lenient rule": [claim.lenient_rule or "as strict" for claim in claims],
        "why they differ": [claim.why for claim in claims],
        "source": [claim.source for claim in claims],
    }
    write_table(path, pd.DataFrame(columns))


def write_exclusions(path: Path, exclusions: Sequence[Exclusion]) -> None:
    """Write what was left out of which number, a row each."""
    columns = {
        "number": [one.number for one in exclusions],
        "told": [one.told for one in exclusions],
        "without the exclusion": [one.without for one in exclusions],
        "left out": [" ".join(one.left_out) for one in exclusions],
        "reasons": ["; ".join(one.reasons) for one in exclusions],
    }
    write_table(path, pd.DataFrame(columns))


def counted(claims: Sequence[Claim]) -> str:
    """Say how many claims of each ledger agree, and name those that do not."""
    parts = []
    told = [claim for claim in claims if claim.strict is not None]
    published = [claim for claim in told if claim.ledger == "published"]
    if published:
        strict = sum(bool(claim.strict) for claim in published)
        lenient = sum(bool(claim.lenient) for claim in published)
        parts.append(
            f"Published statements: of {len(published)}, {strict} agree strictly and {lenient} "
            f"leniently.{_named('Not even leniently', published)}"
        )
    own = [claim for claim in told if claim.ledger == "own"]
    if own:
        held = sum(bool(claim.strict) for claim in own)
        parts.append(f"Our own findings: {held} of {len(own)} came out.{_named('Not', own)}")
    return " ".join(parts)


def _named(head: str, claims: Sequence[Claim]) -> str:
    missed = [claim.claim for claim in claims if not claim.lenient]
    return f" {head}: {'; '.join(missed)}." if missed else ""


def told_exclusions(exclusions: Sequence[Exclusion]) -> str:
    """Say of each number what it is without what was left out of it, and why that was."""
    return " ".join(
        f"{one.number}: {one.told}; without the exclusion {one.without}. Left out: "
        f"{', '.join(one.left_out)} ({'; '.join(one.reasons)})."
        for one in exclusions
    )
