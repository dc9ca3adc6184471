"""The built-in methods by name."""

from __future__ import annotations

from runners.methods.align import no_alignment
from runners.methods.equalise import no_gain
from runners.methods.fuse_map import focus_map
from runners.methods.fuse_pyramid import laplacian_maximum
from runners.methods.fuse_simple import mean, middle_frame
from runners.methods.recipe import Recipe
from runners.methods.select import middle_only

ORACLE = "oracle"

_RECIPES = (
    Recipe(
        name="middle-frame",
        title="the middle frame alone (floor)",
        fuse=middle_frame,
        select=middle_only,
        align=no_alignment,
        equalise=no_gain,
    ),
    Recipe(name="mean", title="mean of the aligned frames (floor)", fuse=mean),
    Recipe(
        name="laplacian-pyramid",
        title="largest coefficient of a Laplacian pyramid",
        fuse=laplacian_maximum,
        paper="Burt and Adelson 1983, 1985",
        from_memory="kernel, depth of the pyramid, mean at the top",
    ),
    Recipe(
        name="focus-map",
        title="peak of the sum-modified Laplacian",
        fuse=focus_map,
        paper="Nayar and Nakagawa 1994",
        from_memory="window 9, blend of the two nearest frames",
    ),
    Recipe(
        name=ORACLE,
        title="true choice, true alignment, true focus map (ceiling)",
        fuse=middle_frame,
    ),
)

METHODS: dict[str, Recipe] = {recipe.name: recipe for recipe in _RECIPES}
