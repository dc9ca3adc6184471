"""Small scenes to render: made of few surfaces, so that the answer is known."""

from collections.abc import Callable

import pytest

from stacktruth.simulator import Rig, Scene, load_rig
from stacktruth.simulator.scene.scene import Sheet
from stacktruth.simulator.scene.texture.plain import Flat

GREY = (0.5, 0.5, 0.5)


@pytest.fixture(scope="session")
def rig() -> Rig:
    """Give the small, fast rig for tests: 50 px/mm, 8.9 px of blur a mm, hardly any diffraction."""
    return load_rig("test-rig")


@pytest.fixture(scope="session")
def field_rig() -> Rig:
    """Give a rig of the field: at its working f-number diffraction rules a picture in focus."""
    return load_rig("field-2x")


@pytest.fixture(scope="session")
def sheet() -> Callable[..., Sheet]:
    """Make an unlit sheet of one colour."""

    def make(name: str = "card", *, colour: tuple = GREY, **changes: object) -> Sheet:
        asked = {"name": name, "lit": False, "texture": Flat(colour=colour)} | changes
        return Sheet(**asked)

    return make


@pytest.fixture(scope="session")
def scene() -> Callable[..., Scene]:
    """Make a scene of surfaces, from far to near, before black."""

    def make(*surfaces: object, **changes: object) -> Scene:
        asked = {"name": "made", "field_mm": (4, 3), "depth_mm": (-1, 1), "backdrop": (0, 0, 0)}
        return Scene(surface=surfaces, **(asked | changes))

    return make
