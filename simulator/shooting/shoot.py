"""The conductor: hands, light, subject, lens and sensor make frames, one at a time."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from ...ground.arrays import checked_device, namespace_on, sent, to_host
from ...ground.types import Codes, Device, Floats
from ..blur.smear import Smear, image_speed_px_per_s, rolled, smear_of, smeared
from ..compositing.ahead import tables_ahead
from ..compositing.levels import DEFAULT, level_of
from ..compositing.render import joined, render, side_for, tiles_of
from ..handling.approach import Approach, nominal_stops_mm
from ..handling.cadence import interval_s
from ..handling.flash import Flash, fire, light_gains
from ..handling.hands import Hands, Stance, load_stance
from ..handling.light import Light, load_light
from ..handling.sway import Subject, SubjectPose, Swaying, load_subject
from ..optics import depth_of_field_mm
from ..pose import Pose
from ..rig import Rig
from ..scene.scene import Scene
from ..streams import stream
from ..view.camera import Camera, Crop, crop_size
from . import sensor
from .motion import MotionSummary, blur_diameter_px, motion_summary, nearest
from .truth import Truth, TruthView, layer_side

#: A frame smeared by more than this, px rms, is not counted on for the best possible merge.
USABLE_SMEAR_PX = 2.0
#: Pixels across the picture that tell what depth there is.
_ROUGH_PX = 96
#: Nor is one darker than this, stops.
USABLE_GAIN_STOPS = -3.0
#: Blur diameter on the sensor that still counts as sharp, um: the usual criterion of the trade.
BLUR_CRITERION_UM = 30.0
#: Step of a planned pass over the depth of field: half to 0.8 of it is common practice, no source.
STEP_SHARE = 0.6
#: Most frames of a pass: a camera's buffer holds hundreds, and a rail takes some thousands.
MAX_FRAMES = 5000
# A frame in single precision, its codes, and depth and number of the best frame: at least that.
_BYTES_A_PIXEL = 30


@dataclass(frozen=True, kw_only=True)
class FrameRecord:
    """What really happened in one frame: the truth behind it.

    Parameters
    ----------
    frame : int
    time_s : float
        From the first frame.
    pose : Pose
        Of the camera.
    refocus_mm : float
        How much farther than nominal the lens was focused.
    focus_z_mm : float
        Where the plane of focus cut the optical axis, along that axis from the origin.
    gain_stops : float
        Light in green over the nominal light, stops; -inf for none.
    gains : (red, green, blue)
        Light per channel over the nominal light.
    misfire : bool
    exposure_s : float
        How long the light that counts lasted.
    smear_px : float
        Rms image motion during the exposure, px.
    subject : SubjectPose
    usable : bool
        Whether the best possible merge may count on it.
    """

    frame: int
    time_s: float
    pose: Pose
    refocus_mm: float
    focus_z_mm: float
    gain_stops: float
    gains: tuple[float, float, float]
    misfire: bool
    exposure_s: float
    smear_px: float
    subject: SubjectPose
    usable: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """One frame as the camera writes it, with its record.

    Parameters
    ----------
    image : array (rows, cols, 3)
        Code values in the asked encoding; float32 linear for ``encoding="float"``.
    record : FrameRecord
    """

    image: Codes | Floats
    record: FrameRecord


def nearest_middle(numbers: Iterable[int], frames: int) -> int:
    """Return the one of some frames that is nearest the middle of a pass, of two the earlier."""
    middle = (frames - 1) / 2
    return min(numbers, key=lambda number: abs(number - middle))


@dataclass(frozen=True, kw_only=True)
class Shoot:
    """A shoot that is planned but not yet rendered; `shoot` makes one.

    Iterating renders the frames one at a time, any frame can be rendered alone, and neither the
    number of frames nor the order in which they are rendered changes a pixel of any of them.

    Parameters
    ----------
    scene, rig, stance, approach, light, subject
        What is photographed, and how.
    frames : int
    seed : int
        Of all that is random.
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge.
    bin : int
        Real pixels merged into one, per side.
    iso : float
    encoding : {"srgb16", "srgb8", "float"}
    noise, diffraction, bayer : bool
        As for `shoot`.
    quality : {"fast", "true", "exact"}
    asked_reference : int or None
        The frame whose view the truth is in; None takes the usable one nearest the middle.
    device : {"cpu", "cuda"}
        What pictures are worked out on.
    """

    scene: Scene
    rig: Rig
    stance: Stance
    approach: Approach
    light: Light
    subject: Subject
    frames: int
    seed: int
    crop: Crop | None = None
    bin: int = 1
    iso: float = 100.0
    encoding: Literal["srgb16", "srgb8", "float"] = "srgb16"
    noise: bool = True
    diffraction: bool = True
    bayer: bool = False
    quality: str = DEFAULT
    asked_reference: int | None = None
    device: Device = "cpu"

    def __len__(self) -> int:
        """Return the number of frames."""
        return self.frames

    def __iter__(self) -> Iterator[Frame]:
        """Render the frames in the order they were taken."""
        return (self.frame(number) for number in range(self.frames))

    @cached_property
    def flashes(self) -> list[Flash]:
        """What the light did in each frame."""
        return fire(self.light, self.frames, seed=self.seed, scene=self.scene.name)

    @cached_property
    def records(self) -> tuple[FrameRecord, ...]:
        """What happened in each frame."""
        return tuple(self._record(number) for number in range(self.frames))

    @property
    def nominal_focus_mm(self) -> tuple[float, ...] | None:
        """Where the scale of a stepped pass has each frame's plane of focus; None by hand."""
        stops = nominal_stops_mm(self.approach, self.frames)
        return None if stops is None else tuple(stops.tolist())

    @cached_property
    def reference(self) -> int:
        """The frame whose view the truth is in, and in which methods are told to merge.

        The asked one; else the usable frame nearest the middle of the pass, of two the earlier.
        That a frame is dark, smeared or without the subject is seen in it: no depth, and nothing
        else that only the truth tells, goes into the choice.
        """
        if self.asked_reference is not None:
            return self.asked_reference
        usable = [record.frame for record in self.records if record.usable]
        return nearest_middle(usable or range(self.frames), self.frames)

    def _rough_camera(self, number: int) -> Camera:
        """Return the camera of a frame with few, large pixels."""
        width, height = crop_size(self.crop, self.rig)
        bin = max(self.bin, min(width // _ROUGH_PX, height))
        return replace(self.camera(number), bin=bin)

    def blur_diameter_px(
        self, number: int, *, reference: int | None = None
    ) -> npt.NDArray[np.float32]:
        """Return how wide a frame blurs each point that the reference shows.

        Parameters
        ----------
        number : int
            The frame.
        reference : int or None
            In whose view; None is `reference`.

        Returns
        -------
        array (rows, cols) of float32
            Diameter of the geometric blur, px; NaN where the frame does not reach.
        """
        view = self.camera(self.reference if reference is None else reference)
        seen = nearest(self.scene, view)
        return blur_diameter_px(seen, self.camera(number), diffraction=self.diffraction)

    @cached_property
    def motions(self) -> tuple[MotionSummary, ...]:
        """How the reference's view moved to each frame; measured on few, large pixels."""
        view = self._rough_camera(self.reference)
        seen, pixel = nearest(self.scene, view), view.bin / self.bin
        return tuple(
            motion_summary(seen, self._rough_camera(number), pixel=pixel)
            for number in range(self.frames)
        )

    def camera(self, number: int) -> Camera:
        """Return the camera of a frame.

        Parameters
        ----------
        number : int
            Of the frame, 0 to frames - 1.
        """
        record = self.records[number]
        return Camera(self.rig, record.pose, record.refocus_mm, self.crop, self.bin, record.subject)

    def frame(self, number: int, *, drawn: Floats | None = None) -> Frame:
        """Render one frame as the camera writes it.

        Parameters
        ----------
        number : int
            From 0.
        drawn : array (rows, cols, 3) or None
            What `drawn` gave of it before.
        """
        record = self.records[number]
        light = self.exposure(number, drawn=drawn)
        if self.encoding == "float":
            return Frame(image=light, record=record)
        numbers = sensor.expose(
            light,
            self.binned_rig,
            iso=self.iso,
            rng=stream(self.seed, self.scene.name, "sensor", number),
            noise=self.noise,
            bayer=self.bayer,
        )
        image = sensor.develop(numbers, self.binned_rig, bits=8 if self.encoding == "srgb8" else 16)
        return Frame(image=image, record=record)

    def drawn(self, number: int, *, tile: int | None = None) -> Floats:
        """Render what the lens draws of one frame in an even light, held still.

        Parameters
        ----------
        number : int
            From 0.
        tile : int or None
            As for `simulator.compositing.render.render`.

        Returns
        -------
        array (rows, cols, 3) of float32
            Linear.
        """
        return self._drawn(number, tile=tile, on_host=True)

    def _drawn(self, number: int, *, tile: int | None = None, on_host: bool) -> Floats:
        """Render what `drawn` does, for the host or to stay on the device."""
        camera = self.camera(number)
        return render(
            self.scene,
            camera,
            focus=(camera,),
            diffraction=self.diffraction,
            motion=self._smear(number).subject,
            quality=self.quality,
            tile=tile,
            device=self.device,
            on_host=on_host,
        )

    def tables_ahead(self) -> list[Callable[[], object]]:
        """Return what makes tables that all frames ask for, each by itself."""
        cameras = [self.camera(number) for number in {0, self.reference, self.frames - 1}]
        level = level_of(self.quality)
        return tables_ahead(self.scene, cameras, level, diffraction=self.diffraction)

    @property
    def tiles(self) -> int:
        """How many tiles a frame is rendered in."""
        return sum(1 for _ in tiles_of(self.camera(0).frame, side_for(self.scene, self.device)))

    def layer_tiles(self, name: str) -> int:
        """Return how many tiles a layer of the truth is worked out in, one of `truth.LAYERS`."""
        side = layer_side(name, self.scene, self.device)
        return sum(1 for _ in tiles_of(self.camera(0).frame, side))

    def drawn_of(self, number: int, tiles: Iterable[Floats]) -> Floats:
        """Lay all tiles that `drawn` gave of a frame, in their order, together.

        Parameters
        ----------
        number : int
            Of the frame, 0 to frames - 1.
        tiles : iterable of arrays
            All of that frame, in their order.
        """
        frame = self.camera(number).centred().frame  # as it is rendered
        return joined(frame, tiles, side_for(self.scene, self.device))

    def exposure(self, number: int, *, drawn: Floats | None = None) -> Floats:
        """Render the light that reaches the sensor in one frame, linear, without noise.

        Parameters
        ----------
        number : int
            From 0.
        drawn : array (rows, cols, 3) or None
            What `drawn` gave of it before.

        Returns
        -------
        array (rows, cols, 3) of float32
            1.0 = saturation.
        """
        camera = self.camera(number)
        smear = self._smear(number)
        xp = namespace_on(self.device)
        light = self._drawn(number, on_host=False) if drawn is None else drawn
        picture = smeared(sent(light, xp), smear.shake)
        # A flash lights all rows at once; only light that burns on is read row by row.
        if self.light.flash is None and self.light.cadence.readout_s > 0:
            speed = image_speed_px_per_s(self._hands, camera, self.flashes[number].time_s)
            picture = rolled(picture, speed, self.light.cadence.readout_s)
        gains = np.array(self.records[number].gains, np.float32)
        return to_host(picture * sent(gains, xp))  # type: ignore[no-any-return]

    def truth(self, reference: int | None = None) -> Truth:
        """Return the truth in the view of a frame.

        Parameters
        ----------
        reference : int or None
            The frame; None is the shoot's own `reference`.

        Raises
        ------
        IndexError
            No such frame.
        """
        return self.truth_view(reference).truth()

    def truth_view(self, reference: int | None = None) -> TruthView:
        """Return what the truth in the view of a frame is made of.

        Parameters
        ----------
        reference : int or None
            The frame; None is `reference`.
        """
        number = self.reference if reference is None else reference
        if not 0 <= number < self.frames:
            raise IndexError(f"reference: got frame {number}, allowed 0 to {self.frames - 1}")
        usable = [record.frame for record in self.records if record.usable] or [number]
        return TruthView(
            scene=self.scene,
            camera=self.camera(number),
            frames={frame: self.camera(frame) for frame in usable},
            reference=number,
            diffraction=self.diffraction,
            device=self.device,
        )

    @cached_property
    def binned_rig(self) -> Rig:
        """The rig whose pixels are the merged ones: ``bin`` squared wells and reads in one."""
        own = self.rig.sensor
        merged = replace(
            own,
            pitch_um=own.pitch_um * self.bin,
            width_px=own.width_px // self.bin,
            height_px=own.height_px // self.bin,
            full_well_e=own.full_well_e * self.bin**2,
            read_noise_e=own.read_noise_e * self.bin,
            prnu=own.prnu / self.bin,
            dsnu_e=own.dsnu_e * self.bin,
        )
        return replace(self.rig, sensor=merged)

    @cached_property
    def _until_s(self) -> float:
        return (self.flashes[-1].time_s if self.flashes else 0.0) + self.light.exposure_s

    @cached_property
    def _hands(self) -> Hands:
        return Hands(
            self.stance,
            until_s=self._until_s,
            seed=self.seed,
            scene=self.scene.name,
            approach=self.approach,
        )

    @cached_property
    def _swaying(self) -> Swaying:
        return Swaying(
            self.subject,
            until_s=self._until_s,
            seed=self.seed,
            scene=self.scene.name,
            held=self.stance.held_sway,
        )

    @cached_property
    def _poses(self) -> tuple[list[Pose], npt.NDArray[np.float64], list[SubjectPose]]:
        times = np.array([flash.time_s for flash in self.flashes])
        return (
            self._hands.poses(times),
            self._hands.focus_mm(times),
            self._swaying.poses(times),
        )

    def _smear(self, number: int) -> Smear:
        camera = self.camera(number)
        return smear_of(
            self.light, self.flashes[number], self._hands, self._swaying, camera, frame=number
        )

    def _record(self, number: int) -> FrameRecord:
        poses, refocus, subjects = self._poses
        flash, pose = self.flashes[number], poses[number]
        camera = Camera(
            self.rig, pose, float(refocus[number]), self.crop, self.bin, subjects[number]
        )
        # A flash of the scene's own falls off point by point in the picture itself.
        advance = pose.z_mm if self.scene.lighting.flash is None else 0.0
        burst, ambient = light_gains(self.light, flash, advance_mm=advance)
        gains = burst + ambient
        gain_stops = float(np.log2(gains[1])) if gains[1] > 0 else -np.inf
        smear = smear_of(self.light, flash, self._hands, self._swaying, camera, frame=number).rms_px
        axis = camera.rotation[:, 2]
        return FrameRecord(
            frame=number,
            time_s=flash.time_s,
            pose=pose,
            refocus_mm=float(refocus[number]),
            focus_z_mm=float(axis @ camera.pupil_mm) + camera.distance_mm,
            gain_stops=gain_stops,
            gains=(float(gains[0]), float(gains[1]), float(gains[2])),
            misfire=flash.misfire,
            exposure_s=flash.duration_s,
            smear_px=smear,
            subject=subjects[number],
            usable=bool(
                gain_stops >= USABLE_GAIN_STOPS
                and smear <= USABLE_SMEAR_PX
                and subjects[number].present
            ),
        )


def shoot(
    scene: Scene,
    rig: Rig,
    *,
    stance: Stance | str = "kneeling",
    light: Light | str = "flash-sixteenth",
    frames: int | None = None,
    seed: int = 0,
    subject: Subject | str = "still",
    approach: Approach | None = None,
    near_mm: float | None = None,
    far_mm: float | None = None,
    crop: Crop | None = None,
    bin: int = 1,
    iso: float = 100.0,
    encoding: Literal["srgb16", "srgb8", "float"] = "srgb16",
    noise: bool = True,
    diffraction: bool = True,
    bayer: bool = False,
    quality: str = DEFAULT,
    reference: int | None = None,
    device: Device = "cpu",
) -> Shoot:
    """Plan a shoot of a scene; the frames are rendered as they are asked for.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    stance : Stance or str
        How the camera is held; a name or a path is loaded.
    light : Light or str
        Flash, ambient light and cadence; a name or a path is loaded.
    frames : int or None
        Number of frames, >= 1; None takes as many as the pass needs. More frames go on with the
        pass and change none of the earlier ones.
    seed : int
        Of all that is random in the shoot, >= 0.
    subject : Subject or str
        How the living parts move; a name or a path is loaded.
    approach : Approach or None
        The pass. None takes the stance's own kind of pass, from before the nearest point wanted
        sharp to behind the farthest, at a pace of `STEP_SHARE` of the depth of field a frame.
    near_mm, far_mm : float or None
        Other ends for that pass, z of the plane of focus, mm.
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge.
    bin : int
        Real pixels merged into one, per side.
    iso : float
    encoding : {"srgb16", "srgb8", "float"}
        Of the frames: sRGB in 16 or 8 bits; linear float32 before the sensor.
    noise : bool
        False leaves out all sensor noise.
    diffraction : bool
    bayer : bool
        Whether the sensor sees one colour a pixel.
    quality : {"fast", "true", "exact"}
        How right edges are; see `render_view`.
    reference : int or None
        Frame whose view the truth is in and methods are to merge in; None takes the usable one
        nearest the middle of the pass.
    device : {"cpu", "cuda"}
        What pictures are worked out on, but for the sensor's noise; on a GPU no pixel differs by
        more than 1e-4 of white before it.

    Raises
    ------
    ValueError, simulator.data.DataFileError

    Examples
    --------
    >>> from stacktruth import load_rig, load_scene
    >>> plan = shoot(load_scene("ramp"), load_rig("test-rig"), frames=5, seed=1, crop=(48, 32))
    >>> len(plan), plan.reference, plan.frame(2).image.shape
    (5, 2, (32, 48, 3))
    >>> plan.truth().depth_mm.shape
    (32, 48)
    """
    if isinstance(stance, str):
        stance = load_stance(stance)
    if isinstance(light, str):
        light = load_light(light)
    if isinstance(subject, str):
        subject = load_subject(subject)
    if approach is None:
        approach = _planned_pass(scene, rig, stance, light, (near_mm, far_mm))
    if frames is None:
        frames = _frames_to_cover(approach, light)
    if not 1 <= frames <= MAX_FRAMES:
        raise ValueError(f"frames: got {frames}, allowed 1 to {MAX_FRAMES}")
    level_of(quality)  # complains of an unknown one
    checked_device(device)  # and of one that is not there
    if reference is not None and not 0 <= reference < frames:
        raise ValueError(f"reference: got frame {reference}, allowed 0 to {frames - 1}")
    plan = Shoot(
        scene=scene,
        rig=rig,
        stance=stance,
        approach=approach,
        light=light,
        subject=subject,
        frames=frames,
        seed=seed,
        crop=crop,
        bin=bin,
        iso=iso,
        encoding=encoding,
        noise=noise,
        diffraction=diffraction,
        bayer=bayer,
        quality=quality,
        asked_reference=reference,
        device=device,
    )
    Camera(rig, crop=crop, bin=bin)  # complains now, not at the first frame
    _refuse_too_large(plan)
    return plan


def _refuse_too_large(plan: Shoot) -> None:
    """Refuse pictures that no memory of this machine could hold, before any is rendered."""
    wide, high = crop_size(plan.crop, plan.rig)
    pixels = wide * high / plan.bin**2
    needed_gb = pixels * _BYTES_A_PIXEL / 1e9
    have_gb = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1e9
    if needed_gb > have_gb:
        raise ValueError(
            f"crop, bin: got {wide} x {high} pixels merged by {plan.bin}, which need at "
            f"least {needed_gb:.4g} GB, allowed the memory of this machine, {have_gb:.4g}"
        )


def _planned_pass(
    scene: Scene,
    rig: Rig,
    stance: Stance,
    light: Light,
    ends_mm: tuple[float | None, float | None],
) -> Approach:
    """Lay the stance's pass over the wanted depth, whatever the number of frames.

    It starts before the nearest wanted point and ends behind the last (common practice, no
    source).
    """
    depth_of_field = depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm
    near, far = (
        wanted + side * depth_of_field / 2 if given is None else given
        for wanted, side, given in zip(scene.depth_mm, (-1, 1), ends_mm, strict=True)
    )
    if not near < far:
        raise ValueError(f"the pass must go from near to far, got {near:g} to {far:g} mm")
    step = STEP_SHARE * depth_of_field
    return replace(
        stance.approach,
        start_mm=near,
        length_mm=far - near,
        step_mm=step,
        speed_mm_per_s=step / interval_s(light.cadence, 0),
    )


def _frames_to_cover(approach: Approach, light: Light) -> int:
    """Return the frames that a pass takes from its start to its end."""
    step = approach.step_mm
    if approach.kind in ("lean", "rock"):
        step = approach.speed_mm_per_s * interval_s(light.cadence, 0)
    return int(np.ceil(approach.length_mm / step)) + 1
