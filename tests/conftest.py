"""Settings that all tests share."""

from hypothesis import settings

# The same examples every time, and no limit on the time of one: a test must not fail because the
# machine is busy, nor pass or fail by luck.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
