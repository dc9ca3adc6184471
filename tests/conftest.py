"""Settings that all tests share."""

import os
import sys

from hypothesis import settings

# Compiled files are kept, whatever the surroundings say: the workers of a run, the processes that
# tests start and the next run would otherwise compile all code and tests anew, some 10 s each.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# The same examples every time, and no limit on the time of one: a test must not fail because the
# machine is busy, nor pass or fail by luck.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
