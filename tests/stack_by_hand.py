"""A stack folder written and read from its page in the reference alone: nothing of ours is used.

``python stack_by_hand.py write FOLDER`` makes one; ``python stack_by_hand.py score FOLDER PICTURE
[DEPTH]`` prints what the page's definitions give.
"""

import csv
import hashlib
import json
import sys
from pathlib import Path

import numpy as np
import tifffile
from scipy import ndimage

REGIONS = {"valid": 1, "occlusion-band": 2, "fibres": 4, "highlights": 8}
REGIONS |= {"textured": 16, "smooth": 32, "moving": 64, "never-in-focus": 128}
ROWS, COLS, PLANES_MM, REFERENCE = 60, 80, (-0.5, 0.0, 0.5), 1
LENS = {"focal_length_mm": 50.0, "f_number": 4.0, "magnification": 1.0}
SENSOR = {"width_px": COLS, "height_px": ROWS, "pitch_um": 20.0}
WHITE = {"kind": "flat", "colour": [1, 1, 1]}
PLAN = {
    "scene": {
        "name": "two-cards",
        "field_mm": [1.6, 1.2],
        "depth_mm": [-0.5, 0.5],
        "surface": [{"kind": "sheet", "name": "card", "texture": WHITE}],
    },
    "rig": {"name": "mine", "lens": LENS, "sensor": SENSOR},
    "stance": {"name": "stand"}, "approach": {"kind": "stepped", "start_mm": -0.5, "step_mm": 0.5},
    "light": {"name": "lamp"}, "subject": {"name": "still"}, "frames": 3, "seed": 0,
}  # fmt: skip


def srgb(light):
    """Encode linear light, 0..1."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def write(folder):
    """Write two cards, the left one near, in three frames."""
    rng = np.random.default_rng(1)
    ideal = ndimage.gaussian_filter(rng.random((ROWS, COLS, 3)), (1, 1, 0)).astype(np.float32)
    depth = np.where(np.arange(COLS) < COLS // 2, -0.5, 0.5) * np.ones((ROWS, 1))
    for part in ("frames", "truth"):
        (folder / part).mkdir(parents=True)
    for number, plane in enumerate(PLANES_MM):
        blurs = [5 * abs(z - plane) for z in (-0.5, 0.5)]
        near, far = (ndimage.gaussian_filter(ideal, (blur, blur, 0)) for blur in blurs)
        light = np.where(depth[..., None] < 0, near, far)
        values = np.rint(65535 * srgb(light)).astype(np.uint16)
        tifffile.imwrite(folder / f"frames/{number:04d}.tif", values, photometric="rgb")
    edge = np.broadcast_to(np.abs(np.arange(COLS) + 0.5 - COLS / 2), depth.shape)
    truth = {
        "ideal": ideal, "achievable": ideal, "depth_mm": depth,
        "best_frame": np.where(depth < 0, 0, 2),
        "residual_blur_px": 0 * depth, "coverage": 0 * depth + 1, "edge_distance_px": edge,
        "regions": 1 + 16 * (edge >= 5) + 2 * (edge < 5),
    }  # fmt: skip
    kinds = {"best_frame": np.int16, "regions": np.uint8}
    for name, image in truth.items():
        held = image.astype(kinds.get(name, np.float32))
        how = "rgb" if held.ndim == 3 else "minisblack"
        tifffile.imwrite(folder / f"truth/{name}.tif", held, photometric=how)
    frame = {"exposure_s": 0.005, "iso": 100.0, "f_number": 4.0, "focal_length_mm": 50.0}
    frames = [
        {
            "file": f"frames/{n:04d}.tif",
            "order": n,
            "time_s": 0.1 * n,
            "nominal_focus_mm": z,
            **frame,
        }
        for n, z in enumerate(PLANES_MM)
    ]
    info = {
        "frames": frames,
        "step_mm": 0.5,
        "magnification": 1.0,
        "pupil_ratio": 1.0,
        "encoding": "srgb",
    }
    info |= {
        "reference": REFERENCE,
        "pitch_um": 20.0,
        "width_px": COLS,
        "height_px": ROWS,
        "bits": 16,
    }
    (folder / "frames.json").write_text(json.dumps(info))
    optics = {"magnification": 1.0, "working_f_number": 8.0, "pupil_to_focus_mm": 100.0}
    optics |= {"blur_criterion_um": 30.0, "depth_of_field_near_mm": 0.24}
    optics |= {"depth_of_field_far_mm": 0.24, "quarter_wave_depth_mm": 0.14}
    limits = {"usable_smear_px": 2.0, "usable_gain_stops": -3.0, "never_in_focus_px": 1.5}
    images = {
        name: {"file": f"truth/{name}.tif", "about": name, "unit": "see page"} for name in truth
    }
    facts = {"reference": REFERENCE, "usable_frames": [0, 1, 2], "regions": REGIONS}
    facts |= {"images": images, "optics": optics, "limits": limits}
    (folder / "truth/truth.json").write_text(json.dumps(facts))
    zero = "x_mm y_mm pitch_mrad yaw_mrad roll_mrad refocus_mm gain_stops smear_px "
    zero += "subject_x_mm subject_y_mm subject_z_mm "
    zero += "view_right_px view_down_px view_turn_mrad view_parallax_px"
    one = "gain_red gain_green gain_blue view_shown_share view_scale"
    flags = {"misfire": False, "subject_present": True, "usable": True, "exposure_s": 0.005}
    rows = [
        {"frame": n, "time_s": 0.1 * n, "z_mm": z, "focus_z_mm": z, **flags}
        | dict.fromkeys(zero.split(), 0.0) | dict.fromkeys(one.split(), 1.0)
        for n, z in enumerate(PLANES_MM)
    ]  # fmt: skip
    with (folder / "truth/frames.csv").open("w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)
    seal(folder)


def seal(folder):
    """Write stack.json: the plan, and the checksum of every file."""
    files = {}
    for path in sorted(folder.rglob("*.*")):
        data = path.read_bytes()
        name = path.relative_to(folder).as_posix()
        files[name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    held = {
        "layout": 1,
        "format": "tiff16",
        "plan": PLAN,
        "versions": {"by": "hand"},
        "files": files,
    }
    text = json.dumps(held, sort_keys=True, separators=(",", ":"))
    held["sha256"] = hashlib.sha256(text.encode()).hexdigest()
    (folder / "stack.json").write_text(json.dumps(held))


def score(folder, picture, depth=None):
    """Return PSNR, that of the least defocus over each region, and the mean depth error."""
    truth = {p.stem: tifffile.imread(p) for p in folder.glob("truth/*.tif")}
    bits = json.loads((folder / "truth/truth.json").read_text())["regions"]
    valid = truth["regions"] & bits["valid"] > 0
    masks = {name: valid & (truth["regions"] & bit > 0) for name, bit in bits.items()}
    values, ideal = tifffile.imread(picture), srgb(truth["ideal"].astype(float))
    given = (values / np.iinfo(values.dtype).max - ideal) ** 2
    best = (srgb(truth["achievable"].astype(float)) - ideal) ** 2
    found = {"total.psnr_db_as_given": -10 * np.log10(given[valid].mean())}
    for name, mask in masks.items():
        if mask.any():
            ending = "" if name == "valid" else f".{name}"
            found[f"capture.psnr_db{ending}"] = -10 * np.log10(best[mask].mean())
    if depth is not None:
        error = np.abs(tifffile.imread(depth) - truth["depth_mm"])[valid]
        found["depth.depth_mae_mm"] = np.nanmean(error)
    return {name: float(value) for name, value in found.items()}


if __name__ == "__main__":
    if sys.argv[1] == "write":
        write(Path(sys.argv[2]))
    else:
        print(json.dumps(score(Path(sys.argv[2]), *sys.argv[3:])))
