"""What a stack's files hold, key by key and column by column, each in a sentence."""

from __future__ import annotations

from ...ground.columns import Column

_ANY = "any number"
_FLAG = "True or False"


def _column(name: str, unit: str, range_: str, meaning: str) -> Column:
    return Column(name=name, unit=unit, range=range_, meaning=meaning)


#: In the order of the table; a subject's parts that twitch stand after its own place.
RECORD_COLUMNS = (
    _column("frame", "", "0, 1, 2 ...", "Number of the frame; rows are in this order."),
    _column("time_s", "s", ">= 0", "When it was taken, from the first frame."),
    _column("x_mm", "mm", _ANY, "Entrance pupil from its nominal place, to the right."),
    _column("y_mm", "mm", _ANY, "Entrance pupil from its nominal place, down."),
    _column("z_mm", "mm", _ANY, "Advance of the entrance pupil toward the subject."),
    _column("pitch_mrad", "mrad", _ANY, "Turn about the camera's x axis; positive looks up."),
    _column("yaw_mrad", "mrad", _ANY, "Turn about the camera's y axis; positive looks right."),
    _column(
        "roll_mrad", "mrad", _ANY, "Turn about the camera's z axis; positive turns it clockwise."
    ),
    _column("refocus_mm", "mm", _ANY, "How much farther than nominal the lens was focused."),
    _column("focus_z_mm", "mm", _ANY, "Where the plane of focus cut the optical axis."),
    _column("gain_stops", "stops", "any number, or -inf", "Light in green over nominal light."),
    _column("gain_red", "", ">= 0", "Light in red over nominal light; linear."),
    _column("gain_green", "", ">= 0", "Light in green over nominal light; linear."),
    _column("gain_blue", "", ">= 0", "Light in blue over nominal light; linear."),
    _column("misfire", "", _FLAG, "Whether the flash did not fire."),
    _column("exposure_s", "s", ">= 0", "How long the light that counts lasted."),
    _column("smear_px", "px", ">= 0", "Rms motion of the picture during the exposure."),
    _column("subject_x_mm", "mm", _ANY, "Living parts from their nominal place, to the right."),
    _column("subject_y_mm", "mm", _ANY, "Living parts from their nominal place, down."),
    _column("subject_z_mm", "mm", _ANY, "Living parts from their nominal place, away."),
    _column("part_NAME_x_mm", "mm", _ANY, "Twitching part NAME beside the others, to the right."),
    _column("part_NAME_y_mm", "mm", _ANY, "Twitching part NAME beside the others, down."),
    _column("part_NAME_z_mm", "mm", _ANY, "Twitching part NAME beside the others, away."),
    _column("subject_present", "", _FLAG, "Whether the living parts were still there."),
    _column(
        "usable",
        "",
        _FLAG,
        "Whether the achievable picture counts on it: light, sharpness and subject suffice.",
    ),
    _column(
        "view_shown_share", "", "0..1", "Share of the reference's points that this frame shows."
    ),
    _column(
        "view_right_px",
        "px",
        "any number, or empty",
        "Where the middle of the reference's view lies here, to the right of the middle.",
    ),
    _column("view_down_px", "px", "any number, or empty", "The same, downward."),
    _column("view_scale", "", "> 0, or empty", "Magnification of this frame over the reference's."),
    _column(
        "view_turn_mrad",
        "mrad",
        "any number, or empty",
        "Turn of the picture against the reference's, clockwise as seen.",
    ),
    _column(
        "view_parallax_px",
        "px",
        ">= 0, or empty",
        "Rms distance that shift, scale and turn leave between both views.",
    ),
)

_PATH = "a path in the folder"

#: Keys of ``frames.json``.
INFO_KEYS = (
    _column("frames", "", "a list", "One table for each frame, in the order they were taken."),
    _column(
        "step_mm",
        "mm",
        "any number, or null",
        "Step of a stepped pass as its scale shows it; null by hand.",
    ),
    _column("magnification", "", "> 0", "Image size over object size in the plane of focus."),
    _column("pupil_ratio", "", "> 0", "Exit-pupil over entrance-pupil diameter."),
    _column(
        "reference", "", "0..frames - 1", "Frame in whose view methods merge and the truth is."
    ),
    _column("pitch_um", "um", "> 0", "Distance between the pixels of a frame, on the sensor."),
    _column("width_px", "px", ">= 1", "Columns of every frame and of every image of the truth."),
    _column("height_px", "px", ">= 1", "Rows of the same."),
    _column("encoding", "", "srgb, linear", "How a frame's values stand for light."),
    _column("bits", "", "8, 16, 32", "Bits a value; 32 is floating point."),
)
#: Keys of each table in the list ``frames`` of ``frames.json``.
FRAME_KEYS = (
    _column("file", "", _PATH, "The picture's file."),
    _column("order", "", "0, 1, 2 ...", "Number of the frame."),
    _column("time_s", "s", ">= 0", "When it was taken, to the millisecond."),
    _column("exposure_s", "s", "> 0", "Time the shutter was open."),
    _column("iso", "", "> 0", "Setting of the camera."),
    _column("f_number", "", "> 0", "Marked f-number of the lens."),
    _column("focal_length_mm", "mm", "> 0", "Focal length of the lens."),
    _column(
        "nominal_focus_mm",
        "mm",
        "any number, or null",
        "Plane of focus as the scale of a stepped pass shows it, as z; null by hand.",
    ),
)
#: Keys of ``truth/truth.json``; a dot leads into a table.
TRUTH_KEYS = (
    _column("reference", "", "0..frames - 1", "Frame in whose view all images of the truth are."),
    _column("usable_frames", "", "a list of numbers", "Frames the achievable picture counts on."),
    _column("regions.NAME", "", "1, 2, 4 ...", "Bit of the region NAME in the image of regions."),
    _column("images.NAME.file", "", _PATH, "File of an image of the truth."),
    _column("images.NAME.about", "", "text", "What it shows."),
    _column("images.NAME.unit", "", "text", "Unit of its values."),
    _column("optics.magnification", "", "> 0", "As in frames.json."),
    _column("optics.working_f_number", "", "> 0", "N (1 + m / p) at this magnification."),
    _column("optics.pupil_to_focus_mm", "mm", "> 0", "From entrance pupil to plane of focus."),
    _column("optics.blur_criterion_um", "um", "> 0", "Blur on the sensor that still is sharp."),
    _column("optics.depth_of_field_near_mm", "mm", "> 0", "From the plane of focus to the camera."),
    _column(
        "optics.depth_of_field_far_mm", "mm", "> 0, or null", "Away from it; null: without end."
    ),
    _column("optics.quarter_wave_depth_mm", "mm", "> 0", "Wavelength over NA squared."),
    _column("limits.usable_smear_px", "px", "> 0", "A frame smeared by more is not usable."),
    _column("limits.usable_gain_stops", "stops", "any number", "Nor is one that is darker."),
    _column("limits.never_in_focus_px", "px", "> 0", "Residual blur beyond this is a gap."),
)
#: Keys of ``stack.json``.
MANIFEST_KEYS = (
    _column("layout", "", "1", "Version of this description."),
    _column("format", "", "tiff16, png16, jpeg8, float32", "How the frames are written."),
    _column("plan", "", "a table", "The shoot: scene, rig, stance, approach, light, subject ..."),
    _column("versions", "", "a table of texts", "What wrote the folder: programs and versions."),
    _column("files.NAME.bytes", "bytes", ">= 0", "Size of the file at the path NAME."),
    _column("files.NAME.sha256", "", "64 hexadecimal digits", "SHA-256 of its bytes."),
    _column("sha256", "", "64 hexadecimal digits", "Of all the keys above, in canonical form."),
)
