"""The benchmark: suites of stacks and methods, done cell by cell and resumable."""

from .grid.suite import Suite, load_suite
from .running.run import bench
from .running.verify import verify

__all__ = ["Suite", "bench", "load_suite", "verify"]
