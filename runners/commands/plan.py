"""``plan``: what step, how many frames, at which power and f-number, before going out."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from typing import Any, get_args

from ...simulator.handling.hands import Stance, load_stance
from ...simulator.handling.light import Battery, FlashUnit, Light, load_light
from ...simulator.handling.sway import load_subject
from ...simulator.rig import Rig, load_rig
from ..plan import Setting, Sharpness, blur_limit, contrast_limit, make_plan, sharpness_for
from ..plan.show.record import plan_record
from ..plan.show.words import plan_text
from ..request import RequestError, new_path, request
from .options import add_use_option, number, use_of, whole
from .study_options import (
    StudyRequest,
    add_study_options,
    depth_of,
    study_request,
    study_runner,
    tell_failures,
)

#: Sensor behind lens numbers that are given without a rig.
_BARE_RIG = "field-2x"


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("plan", help="plan a shoot: step, frames, power, f-number")
    parser.set_defaults(run=run)
    parser.add_argument(
        "--subject-depth",
        type=number(above=0),
        metavar="MM",
        help="depth of the subject that has to be sharp (with --study: default that of the scene)",
    )
    parser.add_argument(
        "--subject-width",
        type=number(above=0),
        metavar="MM",
        help="how wide and high it is: a frame counts while all of it is in the picture (default: "
        "half of what the picture shows)",
    )
    _add_lens_options(parser)
    _add_sharpness_options(parser)
    _add_hand_options(parser)
    _add_light_options(parser)
    parser.add_argument(
        "--chance", type=_share, default=0.9, metavar="P", help="of no gap (default: 0.9)"
    )
    parser.add_argument(
        "--overlap",
        type=_share,
        default=0.4,
        metavar="SHARE",
        help="of regular steps, as a share of the depth of field (default: 0.4)",
    )
    parser.add_argument(
        "--seed", type=whole(0), default=0, metavar="N", help="of the drawn passes (default: 0)"
    )
    parser.add_argument("--out", metavar="DIR", help="folder to make: page, card, numbers")
    add_study_options(parser)
    parser.add_argument("--json", action="store_true", help="print the plan as JSON")


def run(args: argparse.Namespace) -> int:
    """Print the plan, and write its folder if one is asked for."""
    with request():
        out = None if args.out is None else new_path(args.out)
        asked = study_request(args)
        setting = setting_of(args, study=asked)
        run_study = None if asked is None else study_runner(asked, setting)
    plan = make_plan(setting, seed=args.seed)
    # The answer first: pages and studies take longer.
    print(json.dumps(plan_record(plan), indent=1) if args.json else plan_text(plan), flush=True)
    study = None if run_study is None else run_study(plan)
    if out is not None:
        from ..plan.page import write_plan  # noqa: PLC0415 - what draws is slow to load

        write_plan(plan, out, study=study)
    return 0 if study is None else tell_failures(study)


def setting_of(args: argparse.Namespace, *, study: StudyRequest | None = None) -> Setting:
    """Return the setting that the options describe.

    Raises
    ------
    RequestError
        Options that are missing or do not go together.
    """
    rig = _rig(args)
    depth_mm = args.subject_depth
    if depth_mm is None:
        if study is None:
            raise RequestError("a plan needs --subject-depth, or --study with a scene")
        depth_mm = depth_of(study, rig)
    return Setting(
        rig=rig,
        stance=_stance(args),
        light=_light(args),
        subject=load_subject(args.subject),
        depth_mm=depth_mm,
        sharpness=_sharpness(args, rig),
        subject_mm=args.subject_width,
        chance=args.chance,
        overlap=args.overlap,
    )


def _add_lens_options(parser: argparse.ArgumentParser) -> None:
    lens = parser.add_argument_group("lens", "a rig, or its numbers; numbers overrule the rig's")
    lens.add_argument("--rig", help="rig, by name or .toml file")
    lens.add_argument("--magnification", type=number(above=0), metavar="M", help="2 is 2:1")
    lens.add_argument("--f-number", type=number(above=0), metavar="N", help="as marked")
    lens.add_argument("--focal-length", type=number(above=0), metavar="MM")
    lens.add_argument(
        "--pupil-ratio", type=number(above=0), metavar="P", help="exit over entrance pupil"
    )
    lens.add_argument("--pitch", type=number(above=0), metavar="UM", help="size of a pixel")


def _add_sharpness_options(parser: argparse.ArgumentParser) -> None:
    sharp = parser.add_argument_group("sharpness", "by default that of a picture on a screen")
    add_use_option(sharp)
    sharp.add_argument(
        "--blur", type=number(above=0), metavar="PX", help="largest blur disc, pixels"
    )
    sharp.add_argument(
        "--contrast",
        type=_share,
        metavar="SHARE",
        help="of its in-focus contrast, that detail keeps",
    )
    sharp.add_argument(
        "--detail",
        type=number(above=0),
        metavar="CY_PER_PX",
        help="frequency of that detail, cycles per pixel",
    )


def _add_hand_options(parser: argparse.ArgumentParser) -> None:
    hands = parser.add_argument_group("hands and subject")
    hands.add_argument(
        "--stance",
        default="kneeling",
        help="how the camera is held, by name or .toml file (default: kneeling)",
    )
    hands.add_argument("--speed", type=number(above=0), metavar="MM_PER_S", help="your usual speed")
    hands.add_argument("--step", type=number(above=0), metavar="MM", help="your usual step")
    hands.add_argument("--step-error", type=number(above=0), metavar="MM", help="spread of a stop")
    hands.add_argument(
        "--subject",
        default="still",
        help="how the wind moves it, by name or .toml file (default: still)",
    )


def _add_light_options(parser: argparse.ArgumentParser) -> None:
    light = parser.add_argument_group("light")
    light.add_argument(
        "--light",
        default="flash-sixteenth",
        help="flash, ambient light and cadence, by name or .toml file (default: flash-sixteenth)",
    )
    light.add_argument("--fps", type=number(above=0), metavar="N", help="frames a second")
    light.add_argument("--power", type=_fraction, metavar="1/N", help="flash power")
    light.add_argument("--battery", choices=get_args(Battery))
    light.add_argument("--recycle", type=number(above=0), metavar="S", help="at full power")
    light.add_argument(
        "--ambient-share", type=_share, metavar="SHARE", help="of the exposure, beside the flash"
    )
    light.add_argument("--exposure", type=_fraction, metavar="1/N", help="shutter time, s")


def _rig(args: argparse.Namespace) -> Rig:
    given = {
        "focal_length_mm": args.focal_length,
        "magnification": args.magnification,
        "f_number": args.f_number,
        "pupil_ratio": args.pupil_ratio,
    }
    given = {name: value for name, value in given.items() if value is not None}
    needed = {"--focal-length", "--magnification", "--f-number"}
    if args.rig is None and not {"focal_length_mm", "magnification", "f_number"} <= set(given):
        raise RequestError(f"a plan needs --rig, or all of {', '.join(sorted(needed))}")
    rig = load_rig(args.rig or _BARE_RIG)
    if args.rig is None:
        rig = replace(rig, name="lens-numbers", title="", lens=replace(rig.lens, pupil_ratio=1.0))
    if args.pitch is not None:
        rig = replace(rig, sensor=replace(rig.sensor, pitch_um=args.pitch))
    return replace(rig, lens=replace(rig.lens, **given))


def _sharpness(args: argparse.Namespace, rig: Rig) -> Sharpness:
    by_contrast = (args.contrast is not None, args.detail is not None)
    ways = {"--for": args.use is not None, "--blur": args.blur is not None}
    ways["--contrast with --detail"] = any(by_contrast)
    if sum(ways.values()) > 1:
        raise RequestError(
            f"sharpness is one of {', '.join(ways)}; got "
            f"{' and '.join(name for name, given in ways.items() if given)}, which is too many"
        )
    if any(by_contrast) and not all(by_contrast):
        raise RequestError("--contrast and --detail go together, got one of them")
    if args.blur is not None:
        return blur_limit(args.blur)
    if args.contrast is not None:
        return contrast_limit(args.contrast, frequency_cy_per_px=args.detail)
    use, width_cm = use_of(args.use)
    return sharpness_for(use, rig.sensor, width_cm=width_cm)


def _stance(args: argparse.Namespace) -> Stance:
    stance = load_stance(args.stance)
    regular = stance.approach.kind in ("stepped", "focus-ring")
    for option, value, fits in (
        ("--speed", args.speed, not regular),
        ("--step", args.step, regular),
        ("--step-error", args.step_error, regular),
    ):
        if value is not None and not fits:
            raise RequestError(
                f"{option} does not go with stance {stance.name!r}, whose pass is of the kind "
                f"{stance.approach.kind!r}"
            )
    given = {
        "speed_mm_per_s": args.speed,
        "step_mm": args.step,
        "step_error_mm": args.step_error,
    }
    given = {name: value for name, value in given.items() if value is not None}
    return replace(stance, approach=replace(stance.approach, **given))


def _light(args: argparse.Namespace) -> Light:
    light = load_light(args.light)
    if args.fps is not None:
        light = replace(light, cadence=replace(light.cadence, frames_per_s=args.fps))
    if args.exposure is not None:
        light = replace(light, exposure_s=args.exposure)
    flash = _flash(args, light)
    share = light.ambient_share if args.ambient_share is None else args.ambient_share
    return replace(light, flash=flash, ambient_share=share)


def _flash(args: argparse.Namespace, light: Light) -> FlashUnit | None:
    given = {
        "--power": args.power,
        "--battery": args.battery,
        "--recycle": args.recycle,
        "--ambient-share": args.ambient_share,
    }
    asked = [option for option, value in given.items() if value is not None]
    unit = light.flash
    if unit is None:
        if asked:
            raise RequestError(f"light {light.name!r} has no flash, got {', '.join(asked)}")
        return None
    if args.power is not None:
        unit = replace(unit, power=args.power)
    if args.battery is not None:
        unit = replace(unit, battery=args.battery)
    if args.recycle is not None:
        unit = replace(unit, recycle_s=replace(unit.recycle_s, **{unit.battery: args.recycle}))
    return unit


def _share(text: str) -> float:
    """Read a number from 0 to 1."""
    value = number()(text)
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"got {text!r}, allowed a number from 0 to 1")
    return value


def _fraction(text: str) -> float:
    """Read ``1/16`` or ``0.0625``, more than 0 and at most 1."""
    top, slash, bottom = text.partition("/")
    try:
        value = float(top) / float(bottom) if slash else float(top)
    except (ValueError, ZeroDivisionError):
        value = -1.0
    if not 0 < value <= 1:
        raise argparse.ArgumentTypeError(
            f"got {text!r}, allowed a fraction such as 1/16, more than 0 and at most 1"
        )
    return value
