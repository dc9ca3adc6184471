"""Finds the packages: the repository's root is ``stacktruth``, its rooms are below it."""

from setuptools import find_packages, setup

ROOMS = ("ground", "simulator", "metrics", "runners")

setup(
    packages=[
        "stacktruth",
        *(f"stacktruth.{name}" for name in find_packages() if name.split(".")[0] in ROOMS),
    ]
)
