"""What the columns of a data set's two tables are."""

from __future__ import annotations

from ...ground.columns import Column
from ...simulator.stack.columns import RECORD_COLUMNS

_SHA = "64 hexadecimal digits"

#: Of ``stacks.csv``, one row a stack.
STACK_COLUMNS = (
    Column("name", "", "text", "Name of the stack, its own in the data set."),
    Column("split", "", "train, validation, test", "Split of its scene."),
    Column("scene", "", "text", "FAMILY:SEED, or the name of a fixed scene."),
    Column("family", "", "text, or empty", "Family that the scene was drawn from."),
    Column("scene_seed", "", "0, 1, 2 ..., or empty", "Seed of that draw."),
    Column("seed", "", "0, 1, 2 ...", "Seed of hands, light and noise."),
    Column("rig", "", "text", "Lens and sensor."),
    Column("stance", "", "text", "How the camera was held."),
    Column("light", "", "text", "Flash, ambient light and cadence."),
    Column("subject", "", "text", "How the living parts moved."),
    Column("frames", "", ">= 1", "Number of frames."),
    Column("usable", "", ">= 0", "Number of frames that the achievable picture counts on."),
    Column("reference", "", "0..frames - 1", "Frame in whose view the truth is."),
    Column("width_px", "px", ">= 1", "Columns of every frame and image of the truth."),
    Column("height_px", "px", ">= 1", "Rows of the same."),
    Column("pitch_um", "um", "> 0", "Distance between the pixels of a frame, on the sensor."),
    Column("magnification", "", "> 0", "Image size over object size in the plane of focus."),
    Column("f_number", "", "> 0", "Marked f-number of the lens."),
    Column("iso", "", "> 0", "Setting of the camera."),
    Column("encoding", "", "srgb, linear", "How a frame's values stand for light."),
    Column("bits", "", "8, 16, 32", "Bits a value; 32 is floating point."),
    Column("path", "", "a path in the data set", "The stack's folder or file."),
    Column("bytes", "bytes", ">= 0", "Size of all that SHA256SUMS lists of it."),
    Column("sha256", "", _SHA, "Of its file; of a folder, of its lines of SHA256SUMS."),
)
_OF_STACK = (
    Column("name", "", "text", "Name of the stack."),
    Column("split", "", "train, validation, test", "Split of its scene."),
    Column("path", "", "a path in the data set", "The frame's file, or that of its stack."),
    Column(
        "nominal_focus_mm",
        "mm",
        "any number, or empty",
        "Plane of focus as the scale of a stepped pass shows it, as z; empty by hand.",
    ),
)
#: Of ``frames.csv``, one row a frame: what really happened in it, but for parts that twitch.
FRAME_COLUMNS = (*_OF_STACK, *(one for one in RECORD_COLUMNS if "NAME" not in one.name))
