"""Runs methods on stacks and scores them."""

from runners.contract import Result
from runners.scoring import score, score_stack

__all__ = ["Result", "score", "score_stack"]
