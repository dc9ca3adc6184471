"""The built-in methods by name."""

from __future__ import annotations

from .align.align import no_alignment
from .align.equalise import no_gain
from .align.select import middle_only, sharpest_only
from .fuse.blocks import dct_variance
from .fuse.complex import complex_wavelet_maximum
from .fuse.dense_sift import dense_sift
from .fuse.depth import no_depth
from .fuse.focus_map import focus_map, guided_focus_map
from .fuse.guided import guided_weights
from .fuse.labels import seam_labels
from .fuse.laplacian import contrast_weighted, laplacian_maximum
from .fuse.match import match_and_salience
from .fuse.random_walk import random_walk
from .fuse.ring_difference import ring_difference
from .fuse.simple import mean, one_frame, random_blocks
from .fuse.variational import variational_depth
from .fuse.wavelet import wavelet_maximum
from .fuse.weighted_gradient import weighted_gradient
from .recipe import Recipe

ORACLE = "oracle"

_FLOOR_RECIPES = (
    Recipe(
        name="middle-frame",
        title="floor: the reference frame alone, which is the middle one unless told",
        fuse=one_frame,
        select=middle_only,
        align=no_alignment,
        equalise=no_gain,
    ),
    Recipe(
        name="sharpest-frame",
        title="floor: the one frame with the most sharpness, laid on the reference",
        fuse=one_frame,
        select=sharpest_only,
        equalise=no_gain,
    ),
    Recipe(name="mean", title="floor: mean of the aligned frames", fuse=mean),
    Recipe(
        name="random-choice",
        title="floor: every block from a frame drawn at random",
        fuse=random_blocks,
        depth=no_depth,
    ),
)

_LITERATURE = (
    Recipe(
        name="laplacian-pyramid",
        title="largest coefficient of a Laplacian pyramid",
        fuse=laplacian_maximum,
        paper="Burt and Adelson 1983, 1985",
        from_memory="kernel, depth of the pyramid, mean at the top",
    ),
    Recipe(
        name="match-salience",
        title="gradient pyramid by match and salience",
        fuse=match_and_salience,
        paper="Burt and Kolczynski 1993",
        from_memory="gradient pyramid, rule, threshold 0.85, window 5",
    ),
    Recipe(
        name="wavelet",
        title="largest undecimated wavelet coefficient, with consistency check",
        fuse=wavelet_maximum,
        paper="Li, Manjunath and Mitra 1995; Rockinger 1997",
        from_memory="window 3, vote, mean at the top",
    ),
    Recipe(
        name="complex-wavelet",
        title="largest complex wavelet modulus, colours from the frames",
        fuse=complex_wavelet_maximum,
        paper="Forster and others 2004",
        from_memory="filter length 6, 3 x 3 vote, mean at the top",
    ),
    Recipe(
        name="dct-variance",
        title="8 x 8 blocks of the largest variance",
        fuse=dct_variance,
        paper="Haghighat, Aghagolzadeh and Seyedarabi 2011",
        from_memory="block size, vote",
    ),
    Recipe(
        name="guided-filter",
        title="two scales, weights from guided filters",
        fuse=guided_weights,
        paper="Li, Kang and Hu 2013",
        from_memory="saliency's radius and sigma 5",
    ),
    Recipe(
        name="contrast-weighted",
        title="Laplacian pyramids blended by contrast",
        fuse=contrast_weighted,
        paper="Mertens, Kautz and Van Reeth 2007, contrast only",
    ),
    Recipe(
        name="focus-map",
        title="peak of the sum-modified Laplacian",
        fuse=focus_map,
        paper="Nayar and Nakagawa 1994",
        from_memory="window 9, blend of the two nearest frames",
    ),
    Recipe(
        name="focus-map-guided",
        title="peak of the sum-modified Laplacian, cleaned by a guided filter",
        fuse=guided_focus_map,
        paper="Nayar and Nakagawa 1994; He, Sun and Tang 2013",
        from_memory="window 9; radius 8 and epsilon 0.001 are choices made here",
    ),
    Recipe(
        name="seam-labels",
        title="labels with few and unseen seams",
        fuse=seam_labels,
        paper="Agarwala and others 2004; Kolmogorov 2006",
        from_memory="both terms; their scale and weight are choices made here",
        streams=False,
    ),
    Recipe(
        name="variational-depth",
        title="contrast and total variation of depth",
        fuse=variational_depth,
        paper="Moeller, Benning, Schoenlieb and Cremers 2015",
        from_memory="polynomial of degree 8, splitting; weights are choices made here",
    ),
    Recipe(
        name="random-walk",
        title="the frame at which a random walk ends, guided by sharpness and colour",
        fuse=random_walk,
        paper="Shen, Cheng, Shi and Basu 2011; Ma and others 2017",
        from_memory="compatibility, likeness and its scale 0.1; the rest are choices made here",
        streams=False,
    ),
    Recipe(
        name="ring-difference",
        title="peak of the ring difference, aggregated along edges",
        fuse=ring_difference,
        paper="Surh, Jeon, Park, Im, Ha and Kweon 2017",
        from_memory="disc less ring, rejection; radii and filters are choices made here",
    ),
    Recipe(
        name="weighted-gradient",
        title="gradients weighed by structure at two scales, and the picture that has them",
        fuse=weighted_gradient,
        paper="Zhou, Li and Wang 2014",
        from_memory="nothing; what is done for many frames and the pull are choices made here",
    ),
    Recipe(
        name="dense-sift",
        title="the frame with the most dense SIFT activity, borders matched",
        fuse=dense_sift,
        paper="Liu, Liu and Wang 2015",
        from_memory="nothing; what is done for many frames is a choice made here",
    ),
)

_CEILINGS = (
    Recipe(
        name=ORACLE,
        title="ceiling: true choice, true alignment, true focus map",
        fuse=one_frame,
    ),
)

METHODS: dict[str, Recipe] = {
    recipe.name: recipe for recipe in (*_FLOOR_RECIPES, *_LITERATURE, *_CEILINGS)
}

#: What any method should beat; none of them is ranked.
FLOORS = tuple(recipe.name for recipe in _FLOOR_RECIPES)
