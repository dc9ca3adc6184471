"""What each metric computes, what it cannot see, and what its values are checked against.

Facts that code goes by (unit, range, direction, source) are in the metric's own record; here is
what a reader wants to know beside them. `page` makes of both the page of all metrics.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from .record import Metric

_ANY_FRAMES = "the printed formula is of two frames, this takes any number"


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One metric in words.

    Parameters
    ----------
    formula : str
        In one line; r is the result, t the reference (or the truth), means are over the mask.
    blind : str
        What it does not see, or takes for something else.
    checked : str
        What its values are held to, and by which test.
    departs : str
        How it departs from the printed formula; empty if it does not.
    published_tau : float or None
        Of a metric that needs no truth: mean of Kendall's tau with PSNR over 710 real pairs and 30
        merges of each, worked out from the scores stored with doi 10.1109/TPAMI.2024.3367905.
    """

    formula: str
    blind: str
    checked: str
    departs: str = ""
    published_tau: float | None = None

    @property
    def is_modified(self) -> bool:
        """Whether two frames or one picture get another value than by the printed formula."""
        return self.departs not in ("", _ANY_FRAMES)


#: When a metric has its best value, by what it scores.
_EQUAL = {
    "image": "equal pictures",
    "artefact": "equal pictures",
    "tone": "equal pictures",
    "depth": "equal maps",
    "registration": "equal motions",
    "fusion": "frames that all are the result",
    "frames": "frames that just touch",
    "sharpness": "",
}
_NO_TRUTH = "the truth: a blurred result of blurred frames scores as a sharp one of sharp frames"

CARDS: Mapping[str, Card] = MappingProxyType(
    {
        "psnr_db": Card(
            formula="-10 log10 mean((r - t)^2), of channels in 0..1",
            blind="where the error is: a shift of a pixel costs more than a visible fault",
            checked="scikit-image: test_image.py::test_psnr_equals_scikit_image",
        ),
        "ssim": Card(
            formula="mean of (2 mr mt + c1)(2 cov + c2) / ((mr^2 + mt^2 + c1)(vr + vt + c2)) in "
            "Gaussian windows of 1.5 px, c1 = 0.01^2, c2 = 0.03^2, mean over channels",
            blind="an even change of colour or light, and errors beside strong texture; in dark or "
            "flat parts c1 and c2 rule",
            checked="scikit-image: test_image.py::test_ssim_of_colour_equals_scikit_image",
        ),
        "multi_scale_ssim": Card(
            formula="product over five halvings of the mean structure term to the power 0.0448, "
            "0.2856, 0.3001, 0.2363, 0.1333, with the luminance term at the last; of luma",
            blind="colour; the finest detail, which counts with a power of 0.04",
            checked="scikit-image, scale by scale: "
            "test_image.py::test_multi_scale_ssim_from_single_scales",
        ),
        "ciede2000_mean": Card(
            formula="mean CIEDE2000 difference of the pixels in CIELAB of sRGB, white D65",
            blind="structure: any order of the same errors scores alike",
            checked="published pairs: test_image.py::test_ciede2000_published_pairs",
        ),
        "gradient_error": Card(
            formula="sqrt(mean |grad r - grad t|^2), gradients of luma by a Gaussian of 1 px",
            blind="a constant offset, and colour",
            checked="closed form: test_image.py::test_gradient_error_of_an_added_wave",
            departs="the mean is over a mask, the printed sum over a matte (from memory)",
        ),
        "gradient_similarity": Card(
            formula="mean (2 gr gt + c) / (gr^2 + gt^2 + c), g Prewitt's magnitude of luma at half "
            "size, c = 170 / 255^2",
            blind="the direction of an edge, an offset, colour",
            checked="another filter: test_image.py::test_gradient_similarity_by_another_filter",
            departs="the mean of the map, where the paper takes its standard deviation",
        ),
        "sharpness_kept": Card(
            formula="mean(h(r)^2) / mean(h(t)^2), h luma less its Gaussian of 2 px",
            blind="what the detail is: noise, sharpening and invented detail count as sharp",
            checked="worked example: "
            "test_image.py::test_contrast_lost_is_sharpness_and_detail_lost",
        ),
        "detail_kept": Card(
            formula="mean(h(r) h(t)) / mean(h(t)^2), h luma less its Gaussian of 2 px",
            blind="noise and false detail that do not go with the true one",
            checked="worked example: test_image.py::test_noise_looks_sharp_but_is_no_detail",
        ),
        "noise_rms": Card(
            formula="sqrt(mean (h(r) - h(t))^2) over what white noise keeps of itself in h",
            blind="noise coarser than a pixel or two; takes a lost detail for noise",
            checked="closed form: test_image.py::test_white_noise_is_measured_as_it_is",
        ),
        "noise_kept": Card(
            formula="noise_rms over the noise of one frame",
            blind="as noise_rms: ask for it over smooth regions",
            checked="closed form: "
            "test_image.py::test_averaging_frames_keeps_one_over_root_n_of_the_noise",
        ),
        "depth_rmse_mm": Card(
            formula="sqrt(mean (r - t)^2) over answered pixels",
            blind="pixels without an answer; ruled by few gross errors",
            checked="worked example: test_depth.py::test_errors_of_a_known_mixture",
        ),
        "depth_mae_mm": Card(
            formula="mean |r - t| over answered pixels",
            blind="pixels without an answer",
            checked="worked example: test_depth.py::test_errors_of_a_known_mixture",
        ),
        "depth_median_mm": Card(
            formula="median |r - t| over answered pixels",
            blind="pixels without an answer, and the worse half of the errors",
            checked="worked example: test_depth.py::test_errors_of_a_known_mixture",
        ),
        "depth_bias_mm": Card(
            formula="mean (r - t) over answered pixels, + is too far",
            blind="errors that cancel; pixels without an answer",
            checked="worked example: test_depth.py::test_errors_of_a_known_mixture",
        ),
        **{
            f"bad_share_{multiple}dof": Card(
                formula=f"share of pixels with |r - t| > {multiple} depths of field, or no answer",
                blind="by how much a pixel is off",
                checked="worked example: test_depth.py::test_bad_pixels_at_multiples",
                departs="the threshold is the lens's depth of field, not pixels of disparity",
            )
            for multiple in ("0.5", "1", "2")
        },
        "coverage": Card(
            formula="answered pixels over pixels with a true depth",
            blind="whether an answer is right",
            checked="worked example: test_depth.py::test_no_answer_is_bad_but_no_error",
        ),
        "rank_correlation": Card(
            formula="Spearman's correlation of r and t over answered pixels",
            blind="scale, offset and any bending of depth that keeps its order",
            checked="scipy: test_depth.py::test_order_is_spearmans",
        ),
        "bumpiness_mm": Card(
            formula="mean Frobenius norm of the Hessian of r - t",
            blind="offset and tilt; bumps wider than some pixels",
            checked="closed form: test_depth.py::test_bumpiness_of_a_paraboloid",
            departs="neither clipped nor multiplied by 100 as printed",
        ),
        "edge_fattening": Card(
            formula="of pixels on the far side of a step within 5 px, the share put on its near "
            "side",
            blind="by how much; steps below two depths of field",
            checked="worked example: test_depth.py::test_a_bar_grown_by_two_pixels_is_fattened",
            departs="sides are told by the middle of the step, in pixels of the picture",
        ),
        "edge_thinning": Card(
            formula="of pixels on the near side of a step within 5 px, the share put on its far "
            "side",
            blind="by how much; steps below two depths of field",
            checked="worked example: test_depth.py::test_a_bar_shrunk_by_one_pixel_is_thinned",
            departs="sides are told by the middle of the step, in pixels of the picture",
        ),
        "boundary_f1": Card(
            formula="2 p q / (p + q), p and q the shares of found and of true steps that have one "
            "of the other within 1 px",
            blind="depth itself, but for steps of two depths of field or more",
            checked="a classifier's F1, by hand: "
            "test_depth_literature.py::test_boundaries_count_as_a_classifier_s_f1",
            departs="steps in depths of field, not ratios of depth",
        ),
        "depth_abs_rel": Card(
            formula="mean |r - t| / (t - origin) over answered pixels",
            blind="pixels without an answer; depends on the origin that is chosen",
            checked="worked example: "
            "test_depth_literature.py::test_relative_error_of_a_known_mixture",
            departs="depth is counted from an origin that is stated, not from the camera",
        ),
        **{
            f"depth_delta_{ratio}": Card(
                formula=f"share of pixels with max(r/t, t/r) < {ratio}, from the origin",
                blind="by how much a pixel is off; depends on the origin that is chosen",
                checked="closed form: "
                "test_depth_literature.py::test_a_constant_ratio_is_told_by_every_ratio_score",
                departs="depth is counted from an origin that is stated, not from the camera",
            )
            for ratio in ("1.05", "1.25")
        },
        "depth_scale_free": Card(
            formula="standard deviation of ln(r / t), from the origin",
            blind="a wrong scale; pixels without an answer",
            checked="numpy: "
            "test_depth_literature.py::test_scale_free_is_the_spread_of_the_logarithm",
            departs="its root, and depth is counted from an origin that is stated",
        ),
        "depth_affine_free_mm": Card(
            formula="sqrt(mean (a r + b - t)^2) with the best a >= 0 and b",
            blind="a wrong scale and offset; pixels without an answer",
            checked="a regression: "
            "test_depth_literature.py::test_affine_free_is_what_a_regression_leaves",
            departs="by least squares in depth, where the paper fits inverse depth",
        ),
        "depth_ause_mm": Card(
            formula="mean over kept shares of the mean error kept by confidence less that kept by "
            "the error itself",
            blind="how large the errors are, but for their order; the scale of the confidence",
            checked="worked example: test_depth_literature.py::test_sparsification_by_hand",
        ),
        "bad_share_auc": Card(
            formula="mean over kept shares of the bad share (1 depth of field), surest first",
            blind="by how much a pixel is off; the scale of the confidence",
            checked="closed form: "
            "test_depth_literature.py::test_bad_pixels_against_coverage_have_a_closed_form",
        ),
        "halo_overshoot": Card(
            formula="largest share of an edge's contrast by which a side is driven away from the "
            "other, within 6 px of it",
            blind="haze (the opposite sign); edges with less contrast than 3 %",
            checked="a fault of known size: "
            "test_artefacts.py::test_own_fault_is_measured_at_its_size",
        ),
        "halo_width_px": Card(
            formula="width of the stretch about that peak where it is half as strong or more",
            blind="halos below 5 % of the contrast, which have no width",
            checked="a fault of known size: "
            "test_artefacts.py::test_halo_profile_is_the_fault_put_in",
        ),
        "ghost": Card(
            formula="RMS over tiles of the share of another pose in r - t, by least squares beside "
            "gain, blur and offset",
            blind="a pose that is in no frame; tiles where poses look alike",
            checked="a fault of known size: "
            "test_artefacts.py::test_own_fault_is_measured_at_its_size",
        ),
        "see_through": Card(
            formula="RMS over tiles of the share of what lies behind in r - t, in the fine band",
            blind="a haze of what lies behind; ground without texture",
            checked="a fault of known size: "
            "test_artefacts.py::test_own_fault_is_measured_at_its_size",
        ),
        "invented_detail": Card(
            formula="what the finest band of r holds that no filter of t gives, beyond noise, over "
            "the contrast of t",
            blind="false detail that a filter of the true one could be, such as sharpening",
            checked="a checkerboard's closed form: "
            "../runners/test_artefact_scores.py::test_invented_detail_is_told_at_any_pixel",
        ),
        "smear": Card(
            formula="1 - (slope kept along fibres) / (slope that a round blur would keep there, "
            "given what is kept across)",
            blind="plain blur; fibres of which less than 5 % is left",
            checked="a fault of known size: "
            "test_artefacts.py::test_own_fault_is_measured_at_its_size",
        ),
        "flicker_stops": Card(
            formula="RMS of the gain of patches of 16 px about its quadratic trend, stops",
            blind="exposure and shading; patches without one gain",
            checked="a fault of known size: "
            "test_artefacts.py::test_own_fault_is_measured_at_its_size",
        ),
        "mtf50_cy_px": Card(
            formula="frequency at which the transfer of a slanted edge falls to one half",
            blind="everything but that edge; sharpening raises it",
            checked="closed form: test_slanted_edge.py::test_gaussian_of_one_pixel_by_the_formula",
        ),
        "motion_error_px": Card(
            formula="sqrt(mean |u - v|^2) of the motions of pixels",
            blind="what the motion does to the picture",
            checked="worked example: test_registration.py::test_motion_error_is_the_rms_distance",
            departs="the root of the mean square, where the paper prints the mean length",
        ),
        "gain_stops": Card(
            formula="mean over channels of log2 of the robust ratio of block means t / r, in light",
            blind="a wrong curve, a fault in a part of the picture",
            checked="worked example: test_exposure.py::test_gain_stops_are_what_is_needed",
        ),
        "tone_exponent": Card(
            formula="slope of log r on log t of block means, in light, by least deviation",
            blind="a gain; haze and blur lower it as a curve would",
            checked="worked example: test_exposure.py::test_a_power_of_the_light_comes_back",
        ),
        "colour_kept": Card(
            formula="share of the reference's colour, about its grey, that is in the result",
            blind="brightness and structure",
            checked="worked example: "
            "test_exposure.py::test_colour_kept_is_the_share_that_was_put_in",
        ),
        "covered_share": Card(
            formula="length of the wanted depth within half a depth of field of a frame, over all",
            blind="the picture: only planes of focus count",
            checked="counting points: test_frames.py::test_cover_by_counting_points",
        ),
        "largest_gap_mm": Card(
            formula="longest stretch of wanted depth beyond half a depth of field of every frame",
            blind="the picture, and further gaps",
            checked="worked example: test_frames.py::test_a_missing_frame_is_a_gap",
        ),
        "redundancy": Card(
            formula="sum of the depths shown over the depth covered, less 1",
            blind="overlap that noise or a moving subject would need",
            checked="worked example: test_frames.py::test_every_frame_twice_is_half_wasted",
        ),
        "wasted_share": Card(
            formula="1 - (fewest frames with the same cover) / frames",
            blind="overlap that noise or a moving subject would need",
            checked="trying all choices: test_frames.py::test_fewest_frames_by_trying_all",
        ),
        "edge_transfer": Card(
            published_tau=0.28,
            formula="sum of q w over frames and pixels over the sum of w; w a frame's Sobel "
            "strength; q = 0.9994 / (1 + exp(-15 (g - 0.5))) x 0.9879 / (1 + exp(-22 (a - 0.8))), "
            "g the smaller strength over the larger, a = 1 - |angle| / (pi / 2)",
            blind=f"{_NO_TRUTH}; flat parts, and noise that the frames have too",
            checked="values of a toy by other code: "
            "test_fusion.py::test_edge_transfer_ranks_the_truth_first",
            departs="by default orientations are taken modulo half a turn, so that edges that lean "
            "to either side of the vertical are near and not opposite: up to 0.019 from the "
            f"printed formula, which half_turn=False gives for two frames; and {_ANY_FRAMES}",
        ),
        "mutual_information": Card(
            published_tau=-0.09,
            formula="2 / N times the sum over frames of 2 I(frame; r) / (H(frame) + H(r)), "
            "histograms of 256 levels",
            blind=f"{_NO_TRUTH}; where things are. A frame handed back beats a perfect merge",
            checked="scikit-image: "
            "test_fusion.py::test_mutual_information_agrees_with_scikit_image",
            departs=_ANY_FRAMES,
        ),
        "universal_quality": Card(
            formula="mean over frames and 8 x 8 windows of 4 cov m1 m2 / ((v1 + v2)(m1^2 + m2^2))",
            blind=f"{_NO_TRUTH}; it asks to be like every frame, blurred ones too",
            checked="closed form: test_fusion.py::test_universal_quality_of_a_shift_and_a_gain",
            departs="of windows without texture only the means count; the mean is over frames",
        ),
        "piella": Card(
            formula="mean over windows of the universal quality to each frame, weighted by the "
            "frame's variance there",
            blind=f"{_NO_TRUTH}. The average of the frames can beat the truth",
            checked="worked example: test_fusion.py::test_plain_piella_can_prefer_the_average",
            departs=_ANY_FRAMES,
        ),
        "piella_weighted": Card(
            published_tau=0.43,
            formula="as piella, windows weighted by the largest variance of a frame",
            blind=f"{_NO_TRUTH}; what is faint in all frames",
            checked="values of a toy by other code: "
            "test_fusion.py::test_truth_of_the_toy_has_its_values",
            departs=_ANY_FRAMES,
        ),
        "piella_edges": Card(
            formula="piella_weighted of the pictures times that of their edge images",
            blind=f"{_NO_TRUTH}; what is faint in all frames",
            checked="worked example: test_fusion.py::test_edge_exponent",
            departs=f"a negative quality of the edge images counts as 0; {_ANY_FRAMES}",
        ),
        "cvejic": Card(
            published_tau=0.20,
            formula="as piella, frames weighted by their covariance with the result",
            blind=f"{_NO_TRUTH}; a frame that the result ignores has no weight",
            checked="values of a toy by other code: "
            "test_fusion.py::test_truth_of_the_toy_has_its_values",
            departs=f"a negative covariance counts as 0; {_ANY_FRAMES}",
        ),
        "yang": Card(
            published_tau=0.09,
            formula="where all frames are alike (0.75) their mean likeness by variance, elsewhere "
            "the best likeness to a frame",
            blind=f"{_NO_TRUTH}; where frames differ, being like the blurred one is as good",
            checked="worked example: "
            "test_fusion.py::test_agreement_quality_takes_the_best_where_frames_differ",
            departs=_ANY_FRAMES,
        ),
        "chen_blum": Card(
            published_tau=0.09,
            formula="mean of smaller over larger masked contrast of r and each frame, weighted by "
            "the square of the frame's; contrast of Gaussians of 2 and 4 px after the eye's "
            "sensitivity",
            blind=f"{_NO_TRUTH}; detail of a pixel or two",
            checked="the published steps: "
            "test_fusion.py::test_perceived_contrast_follows_the_published_steps",
            departs=_ANY_FRAMES,
        ),
        "phase_congruency": Card(
            published_tau=0.12,
            formula="product over three maps (phase congruency, largest and smallest moment) of "
            "the mean best local correlation with a frame or with the frames' maximum",
            blind=f"{_NO_TRUTH}; contrast: a feature counts whatever its strength",
            checked="worked example: "
            "test_fusion.py::test_phase_congruency_marks_features_whatever_their_contrast",
            departs=f"only pixels where some picture has a feature count; {_ANY_FRAMES}",
        ),
        "frequency_error": Card(
            formula="(S(r) - S0) / S0, S the root of the mean squared differences in four "
            "directions, diagonals at half weight, S0 of the frames' largest differences",
            blind=f"{_NO_TRUTH}; where the detail is, and whether it is noise",
            checked="worked example: test_fusion.py::test_frequency_error_has_the_right_sign",
            departs=_ANY_FRAMES,
        ),
    }
)

_HEAD = """# Metrics, each on a card

Made by `stacktruth list metrics --long` from the records of the metrics. In formulas r is the
result, t the reference or the truth, and means are over the mask. A metric that needs no truth
(the group `fusion`) cannot replace one: show it beside scores against the truth."""


def page(metrics: Iterable[Metric]) -> str:
    """Return the page of metrics, Markdown.

    Raises
    ------
    KeyError
        A metric has no card.
    """
    return "\n\n".join([_HEAD, *(_section(metric, CARDS[metric.name]) for metric in metrics)])


def _section(metric: Metric, card: Card) -> str:
    low, high = metric.range
    facts = {
        "formula": card.formula,
        "departs from print": card.departs,
        "source": metric.reference,
        "unit": metric.unit or "none",
        "range": f"{_number(low)} to {_number(high)}",
        "better": metric.wanted,
        f"for {_EQUAL[metric.group]}": _number(metric.best) if _EQUAL[metric.group] else "",
        "needs": ", ".join(f"`{need}`" for need in metric.needs),
        "no number": metric.undefined,
        "blind to": card.blind,
        "follows the truth": _followed(card) if metric.group == "fusion" else "",
        "checked against": card.checked,
    }
    lines = (f"- {head}: {told}" for head, told in facts.items() if told)
    return f"## `{metric.name}`: {metric.title} ({metric.group})\n\n" + "\n".join(lines)


def _followed(card: Card) -> str:
    """Say how far a metric without truth ranks merges as the truth does."""
    told = "not among the published scores of real pairs"
    if card.published_tau is not None:
        told = (
            f"Kendall's tau with PSNR {card.published_tau:.2f} in published scores of real pairs "
            "(doi 10.1109/TPAMI.2024.3367905)"
        )
    return f"{told}; here see `fusion-metrics` and `metric-order` among the results"


def _number(value: float) -> str:
    if math.isinf(value):
        return "infinity" if value > 0 else "-infinity"
    return f"{value:.6g}"
