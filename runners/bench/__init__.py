"""The benchmark: suites of stacks and methods, run cell by cell and resumable."""

from runners.bench.run import bench
from runners.bench.suite import Suite, load_suite
from runners.bench.verify import verify

__all__ = ["Suite", "bench", "load_suite", "verify"]
