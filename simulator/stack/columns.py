"""What a stack's files hold, key by key and column by column, each in a sentence."""

from __future__ import annotations

from ...ground.columns import Column

_ANY = "any number"
_FLAG = "True or False"


#: In the order of the table; a subject's parts that twitch stand after its own place.
RECORD_COLUMNS = (
    Column("frame", "", "0, 1, 2 ...", "Number of the frame; rows are in this order."),
    Column("time_s", "s", ">= 0", "When it was taken, from the first frame."),
    Column("x_mm", "mm", _ANY, "Entrance pupil from its nominal place, to the right."),
    Column("y_mm", "mm", _ANY, "Entrance pupil from its nominal place, down."),
    Column("z_mm", "mm", _ANY, "Advance of the entrance pupil toward the subject."),
    Column("pitch_mrad", "mrad", _ANY, "Turn about the camera's x axis; positive looks up."),
    Column("yaw_mrad", "mrad", _ANY, "Turn about the camera's y axis; positive looks right."),
    Column(
        "roll_mrad", "mrad", _ANY, "Turn about the camera's z axis; positive turns it clockwise."
    ),
    Column("refocus_mm", "mm", _ANY, "How much farther than nominal the lens was focused."),
    Column("focus_z_mm", "mm", _ANY, "Where the plane of focus cut the optical axis."),
    Column("gain_stops", "stops", "any number, or -inf", "Light in green over nominal light."),
    Column("gain_red", "", ">= 0", "Light in red over nominal light; linear."),
    Column("gain_green", "", ">= 0", "Light in green over nominal light; linear."),
    Column("gain_blue", "", ">= 0", "Light in blue over nominal light; linear."),
    Column("misfire", "", _FLAG, "Whether the flash did not fire."),
    Column("exposure_s", "s", ">= 0", "How long the light that counts lasted."),
    Column("smear_px", "px", ">= 0", "Rms motion of the picture during the exposure."),
    Column("subject_x_mm", "mm", _ANY, "Living parts from their nominal place, to the right."),
    Column("subject_y_mm", "mm", _ANY, "Living parts from their nominal place, down."),
    Column("subject_z_mm", "mm", _ANY, "Living parts from their nominal place, away."),
    Column("part_NAME_x_mm", "mm", _ANY, "Twitching part NAME beside the others, to the right."),
    Column("part_NAME_y_mm", "mm", _ANY, "Twitching part NAME beside the others, down."),
    Column("part_NAME_z_mm", "mm", _ANY, "Twitching part NAME beside the others, away."),
    Column("subject_present", "", _FLAG, "Whether the living parts were still there."),
    Column(
        "usable",
        "",
        _FLAG,
        "Whether the achievable picture counts on it: light, sharpness and subject suffice.",
    ),
    Column(
        "view_shown_share", "", "0..1", "Share of the reference's points that this frame shows."
    ),
    Column(
        "view_right_px",
        "px",
        "any number, or empty",
        "Where the middle of the reference's view lies here, to the right of the middle.",
    ),
    Column("view_down_px", "px", "any number, or empty", "The same, downward."),
    Column("view_scale", "", "> 0, or empty", "Magnification of this frame over the reference's."),
    Column(
        "view_turn_mrad",
        "mrad",
        "any number, or empty",
        "Turn of the picture against the reference's, clockwise as seen.",
    ),
    Column(
        "view_parallax_px",
        "px",
        ">= 0, or empty",
        "Rms distance that shift, scale and turn leave between both views.",
    ),
)

_PATH = "a path in the folder"

#: Keys of ``frames.json``.
INFO_KEYS = (
    Column("frames", "", "a list", "One table for each frame, in the order they were taken."),
    Column(
        "step_mm",
        "mm",
        "any number, or null",
        "Step of a stepped pass as its scale shows it; null by hand.",
    ),
    Column("magnification", "", "> 0", "Image size over object size in the plane of focus."),
    Column("pupil_ratio", "", "> 0", "Exit-pupil over entrance-pupil diameter."),
    Column("reference", "", "0..frames - 1", "Frame in whose view methods merge and the truth is."),
    Column("pitch_um", "um", "> 0", "Distance between the pixels of a frame, on the sensor."),
    Column("width_px", "px", ">= 1", "Columns of every frame and of every image of the truth."),
    Column("height_px", "px", ">= 1", "Rows of the same."),
    Column("encoding", "", "srgb, linear", "How a frame's values stand for light."),
    Column("bits", "", "8, 16, 32", "Bits a value; 32 is floating point."),
)
#: Keys of each table in the list ``frames`` of ``frames.json``.
FRAME_KEYS = (
    Column("file", "", _PATH, "The picture's file."),
    Column("order", "", "0, 1, 2 ...", "Number of the frame."),
    Column("time_s", "s", ">= 0", "When it was taken, to the millisecond."),
    Column("exposure_s", "s", "> 0", "Time the shutter was open."),
    Column("iso", "", "> 0", "Setting of the camera."),
    Column("f_number", "", "> 0", "Marked f-number of the lens."),
    Column("focal_length_mm", "mm", "> 0", "Focal length of the lens."),
    Column(
        "nominal_focus_mm",
        "mm",
        "any number, or null",
        "Plane of focus as the scale of a stepped pass shows it, as z; null by hand.",
    ),
)
#: Keys of ``truth/truth.json``; a dot leads into a table.
TRUTH_KEYS = (
    Column("reference", "", "0..frames - 1", "Frame in whose view all images of the truth are."),
    Column("usable_frames", "", "a list of numbers", "Frames the achievable picture counts on."),
    Column("regions.NAME", "", "1, 2, 4 ...", "Bit of the region NAME in the image of regions."),
    Column("images.NAME.file", "", _PATH, "File of an image of the truth."),
    Column("images.NAME.about", "", "text", "What it shows."),
    Column("images.NAME.unit", "", "text", "Unit of its values."),
    Column("optics.magnification", "", "> 0", "As in frames.json."),
    Column("optics.working_f_number", "", "> 0", "N (1 + m / p) at this magnification."),
    Column("optics.pupil_to_focus_mm", "mm", "> 0", "From entrance pupil to plane of focus."),
    Column("optics.blur_criterion_um", "um", "> 0", "Blur on the sensor that still is sharp."),
    Column("optics.depth_of_field_near_mm", "mm", "> 0", "From the plane of focus to the camera."),
    Column(
        "optics.depth_of_field_far_mm", "mm", "> 0, or null", "Away from it; null: without end."
    ),
    Column("optics.quarter_wave_depth_mm", "mm", "> 0", "Wavelength over NA squared."),
    Column("limits.usable_smear_px", "px", "> 0", "A frame smeared by more is not usable."),
    Column("limits.usable_gain_stops", "stops", "any number", "Nor is one that is darker."),
    Column("limits.never_in_focus_px", "px", "> 0", "Residual blur beyond this is a gap."),
)
#: Keys of ``stack.json``.
MANIFEST_KEYS = (
    Column("layout", "", "1", "Version of this description."),
    Column("format", "", "tiff16, png16, jpeg8, float32", "How the frames are written."),
    Column("plan", "", "a table", "The shoot: scene, rig, stance, approach, light, subject ..."),
    Column("versions", "", "a table of texts", "What wrote the folder: programs and versions."),
    Column("files.NAME.bytes", "bytes", ">= 0", "Size of the file at the path NAME."),
    Column("files.NAME.sha256", "", "64 hexadecimal digits", "SHA-256 of its bytes."),
    Column("sha256", "", "64 hexadecimal digits", "Of all the keys above, in canonical form."),
)
