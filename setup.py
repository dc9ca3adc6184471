"""Finds the packages: the repository's root is ``stacktruth``, its rooms are below it."""

from setuptools import find_packages, setup
from setuptools.command.build_py import build_py

ROOMS = ("ground", "simulator", "metrics", "runners")


class WithoutThisFile(build_py):
    """Takes the package's files, and leaves out this one, which stands beside them."""

    def find_package_modules(self, package: str, package_dir: str) -> list[tuple[str, str, str]]:
        """Return package, module and path of each file of a package."""
        found = super().find_package_modules(package, package_dir)
        return [one for one in found if one[:2] != ("stacktruth", "setup")]


setup(
    cmdclass={"build_py": WithoutThisFile},
    packages=[
        "stacktruth",
        *(f"stacktruth.{name}" for name in find_packages() if name.split(".")[0] in ROOMS),
    ],
)
