"""Stack folders: whole or not at all, the same bytes always, and no change goes unseen."""

import filecmp
import io
import json
import math
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace
from multiprocessing import active_children
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from PIL import Image

from stacktruth.ground.checksum import sha256
from stacktruth.ground.pictures import encode_image
from stacktruth.runners.contract import Outcome
from stacktruth.runners.judge.memory_stack import JoinedShoots, MemoryStack
from stacktruth.runners.judge.scoring import without_result
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.shooting.shoot import Shoot, shoot
from stacktruth.simulator.shooting.truth import Truth
from stacktruth.simulator.stack.frameio import FORMATS
from stacktruth.simulator.stack.manifest import (
    Manifest,
    plan_from_data,
    plan_to_data,
    read_manifest,
)
from stacktruth.simulator.stack.records import records_csv
from stacktruth.simulator.stack.stackio import (
    StackError,
    StackExistsError,
    check_stack,
    read_stack,
    write_stack,
)
from stacktruth.simulator.stack.stackwrite import camera_info

PASS = Approach(start_mm=-0.4, length_mm=0.8, speed_mm_per_s=2.0)


def small_plan(**changes):
    """Plan a small, fast shoot."""
    asked = {"frames": 3, "seed": 5, "crop": (64, 48), "approach": PASS} | changes
    return shoot(load_scene("ramp"), load_rig("test-rig"), **asked)


def files_of(folder: Path) -> set[str]:
    """List the files below a folder."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def bytes_of(folder: Path, names=None) -> dict[str, bytes]:
    """Read the files below a folder."""
    return {name: (folder / name).read_bytes() for name in names or files_of(folder)}


@pytest.fixture(scope="module")
def plan():
    """Return the shoot behind `written`."""
    return small_plan()


@pytest.fixture(scope="module")
def written(plan, tmp_path_factory):
    """Write one stack; tests must not change it."""
    return write_stack(plan, tmp_path_factory.mktemp("stacks") / "small", progress=False)


@pytest.fixture
def copy(written, tmp_path):
    """Return a copy of the stack to spoil."""
    return shutil.copytree(written, tmp_path / "copy")


def resealed(folder: Path, **changes) -> None:
    """Write stack.json again with right checksums, so that only the change itself is wrong."""
    manifest = read_manifest(folder)
    facts = {
        name: {"bytes": len(data), "sha256": sha256(data)}
        for name, data in bytes_of(folder, manifest.files).items()
    }
    values = {"format": manifest.format, "plan": manifest.plan, "versions": manifest.versions}
    sealed = Manifest(**({**values, "files": facts} | changes))
    (folder / "stack.json").write_text(sealed.text())


class TestLayout:
    """What lies in the folder."""

    def test_holds_the_named_files_only(self, written):
        """Frames, what the camera wrote, the truth and stack.json; nothing else."""
        images = "ideal achievable depth_mm best_frame residual_blur_px coverage edge_distance_px"
        truth = [f"truth/{name}.tif" for name in [*images.split(), "regions"]]
        frames = [f"frames/{number:04d}.tif" for number in range(3)]
        rest = ["frames.json", "stack.json", "truth/frames.csv", "truth/truth.json"]
        assert files_of(written) == {*truth, *frames, *rest}

    def test_frames_json_holds_only_what_a_photographer_knows(self, written):
        """No key of frames.json could give the truth away."""
        info = json.loads((written / "frames.json").read_text())
        picture = {"reference", "pitch_um", "width_px", "height_px", "encoding", "bits"}
        assert set(info) == {"frames", "step_mm", "magnification", "pupil_ratio", *picture}
        keys = {"file", "order", "time_s", "exposure_s", "iso", "f_number", "focal_length_mm"}
        assert all(set(frame) == keys | {"nominal_focus_mm"} for frame in info["frames"])

    def test_camera_facts_are_those_of_rig_and_light(self, plan, written):
        """Shutter time, marked f-number and focal length come from the light and the lens."""
        info = read_stack(written).info
        first = info["frames"][0]
        assert (info["width_px"], info["height_px"], info["pitch_um"]) == (64, 48, 20.0)
        assert first["exposure_s"] == plan.light.exposure_s
        assert (first["f_number"], first["focal_length_mm"]) == (2.8, 50.0)
        assert (info["encoding"], info["bits"]) == ("srgb", 16)

    def test_a_photographer_knows_the_scale_of_a_stepped_pass(self):
        """Places as set, whatever the errors of the stops; by hand nobody knows a place or step.

        The test rig's lens as its file has it: 2 times life size, pupils in the ratio 1.
        """
        stepped = Approach(kind="stepped", start_mm=-0.4, step_mm=0.15, step_error_mm=0.05)
        for approach, stops, step in (
            (stepped, [-0.4, -0.25, -0.1], 0.15),
            (replace(stepped, kind="focus-ring"), [-0.4, -0.25, -0.1], 0.15),
            (PASS, [None] * 3, None),
        ):
            made = small_plan(approach=approach)
            info = camera_info(made, FORMATS["tiff16"])
            assert [frame["nominal_focus_mm"] for frame in info["frames"]] == pytest.approx(stops)
            assert info["step_mm"] == pytest.approx(step)
            lens = made.rig.lens
            known = (lens.magnification, lens.pupil_ratio)
            assert (info["magnification"], info["pupil_ratio"]) == known
        records = small_plan(approach=stepped).records
        off = np.subtract([record.focus_z_mm for record in records], [-0.4, -0.25, -0.1])
        assert np.abs(off).max() > 0.01
        single = small_plan(approach=stepped, frames=1)
        assert camera_info(single, FORMATS["tiff16"])["step_mm"] is None

    def test_truth_json_names_units_and_region_bits(self, written):
        """Each image has a unit, each region its own bit, and the lens its depth of field."""
        facts = json.loads((written / "truth/truth.json").read_text())
        assert all((written / image["file"]).is_file() for image in facts["images"].values())
        assert facts["images"]["depth_mm"]["unit"] == "mm"
        assert sorted(facts["regions"].values()) == [2**bit for bit in range(8)]
        # Handbook approximation: total depth = 2 N_eff c / m^2, here 2 * 5.6 * 30 um at 1:1.
        optics = facts["optics"]
        total = optics["depth_of_field_near_mm"] + optics["depth_of_field_far_mm"]
        assert total == pytest.approx(0.336, rel=1e-4)


class TestRoundTrip:
    """What was written is what is read."""

    def test_frames_are_those_of_the_plan(self, plan, written):
        """Each frame read is the frame rendered, lazily, with length, shape and type."""
        frames = read_stack(written).frames
        assert (len(frames), frames.shape, frames.dtype) == (3, (3, 48, 64, 3), np.uint16)
        for number, image in enumerate(frames):
            np.testing.assert_array_equal(image, plan.frame(number).image)
        np.testing.assert_array_equal(frames[-1], frames[1:][1])

    def test_truth_is_that_of_the_plan(self, plan, written):
        """Every array of the truth comes back bit for bit, NaN and infinity too."""
        read, made = read_stack(written).truth, plan.truth()
        for field in fields(Truth):
            got, wanted = np.asarray(getattr(read, field.name)), getattr(made, field.name)
            assert got.tobytes() == np.asarray(wanted).tobytes(), field.name
            assert got.dtype == np.asarray(wanted).dtype

    def test_truth_in_another_view_follows_from_the_plan(self, plan, written):
        """The rebuilt plan renders the truth of any frame."""
        again = read_stack(written).shoot.truth(reference=2)
        assert again.reference == 2
        np.testing.assert_array_equal(again.ideal, plan.truth(reference=2).ideal)

    def test_records_keep_every_digit(self, plan, written):
        """frames.csv gives back the very numbers of the records."""
        table = read_stack(written).records
        assert list(table.z_mm) == [record.pose.z_mm for record in plan.records]
        assert list(table.gain_blue) == [record.gains[2] for record in plan.records]
        assert list(table.usable) == [record.usable for record in plan.records]
        assert list(table.view_scale) == [motion.scale for motion in plan.motions]

    def test_records_hold_darkness_and_parts(self, plan):
        """A frame without light is -inf stops, and a part that twitches has its columns."""
        moved = SubjectPose(parts_mm={"card": (0.1, 0.0, -0.2)}, present=False)
        dark = replace(plan.records[1], gain_stops=-math.inf, subject=moved, misfire=True)
        text = records_csv((plan.records[0], dark), plan.motions[:2])
        table = pd.read_csv(io.StringIO(text))
        assert table.gain_stops[1] == -math.inf
        assert list(table.part_card_z_mm) == [0.0, -0.2]
        assert [*table.subject_present, *table.misfire] == [True, False, False, True]

    def test_records_without_a_number_are_read(self, plan, written, tmp_path):
        """A frame that shows nothing of the reference's view has empty cells: NaN, no error."""
        gone = replace(plan.motions[0], right_px=math.nan, scale=math.nan)
        copy = shutil.copytree(written, tmp_path / "copy")
        (copy / "truth" / "frames.csv").write_text(
            records_csv(plan.records, (gone, *plan.motions[1:]))
        )
        table = read_stack(copy, verify=False).records
        assert np.isnan([table.view_right_px[0], table.view_scale[0]]).all()
        assert table.view_scale[1] == plan.motions[1].scale

    def test_plan_is_rebuilt_from_stack_json(self, plan, written):
        """The shoot read from the folder equals the one that was written."""
        assert read_stack(written).shoot == plan

    @pytest.mark.parametrize("scene", list_data_files("scene"))
    def test_every_shipped_scene_survives_json(self, scene):
        """Scene, rig, stance, light and subject as JSON text give an equal shoot."""
        found = load_scene(scene)
        plan = shoot(
            found,
            load_rig(found.rig),
            stance="stepped",
            light="ambient-burst",
            subject="leaf-tip",
            frames=4,
            crop=(320, 200),
            bin=2,
        )
        text = json.dumps(plan_to_data(plan), allow_nan=False)
        assert plan_from_data(json.loads(text)) == plan


class TestSameBytes:
    """Nothing but plan and format rules the bytes."""

    @pytest.mark.slow
    def test_two_processes_write_what_one_writes(self, written, plan, tmp_path):
        """Every file is the same for one and for two worker processes."""
        other = write_stack(plan, tmp_path / "two", workers=2, progress=False)
        assert bytes_of(other) == bytes_of(written)

    def test_a_frame_rendered_alone_is_the_frame_of_the_stack(self, written):
        """The last frame, rendered first and alone, has the bytes of the file."""
        alone = encode_image(small_plan().frame(2).image, ".tif")
        assert alone == (written / "frames/0002.tif").read_bytes()

    @pytest.mark.parametrize("approach", [PASS, None], ids=["stated pass", "planned pass"])
    def test_more_frames_change_no_earlier_frame(self, approach):
        """Two frames of a shoot of two are the first two of a shoot of four."""
        few, many = (
            small_plan(frames=count, approach=approach, subject="leaf-tip") for count in (2, 4)
        )
        for number in range(2):
            np.testing.assert_array_equal(few.frame(number).image, many.frame(number).image)

    def test_files_hold_no_date(self, written):
        """No TIFF tag tells when, where or by what program it was written."""
        for path in written.rglob("*.tif"):
            with tifffile.TiffFile(path) as file:
                tags = {tag.name for tag in file.pages[0].tags}
            assert not tags & {"DateTime", "Software", "HostComputer", "ImageDescription"}

    def test_another_seed_changes_the_frames(self, written, tmp_path):
        """The comparisons above could fail: a different seed gives different bytes."""
        other = write_stack(small_plan(seed=6, frames=1), tmp_path / "other", progress=False)
        assert not filecmp.cmp(
            other / "frames/0000.tif", written / "frames/0000.tif", shallow=False
        )


class TestFormats:
    """Frames as other programs read them; OpenCV and Pillow are the outside readers."""

    @pytest.mark.parametrize("name", ["tiff16", "png16"])
    def test_sixteen_bits_are_read_by_opencv(self, name, plan, tmp_path):
        """OpenCV reads the 16-bit frame exactly (its channels run blue, green, red)."""
        path = write_stack(plan, tmp_path / "s", format=name, progress=False)
        file = path / f"frames/0001{FORMATS[name].suffix}"
        got = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
        assert got.dtype == np.uint16
        np.testing.assert_array_equal(got[..., ::-1], plan.frame(1).image)

    def test_jpeg_is_near_the_eight_bit_frame(self, plan, tmp_path):
        """Pillow reads the JPEG within 40 dB of the frame, and so does the stack."""
        path = write_stack(plan, tmp_path / "s", format="jpeg8", progress=False)
        stack = read_stack(path)
        wanted = stack.shoot.frame(0).image
        with Image.open(path / "frames/0000.jpg") as image:
            got = np.asarray(image)
        error = got.astype(float) - wanted
        assert (wanted.dtype, stack.info["bits"]) == (np.uint8, 8)
        assert 10 * math.log10(255**2 / np.mean(error**2)) > 40
        np.testing.assert_allclose(stack.frames[0], got, atol=1)

    def test_float_frames_are_linear_light(self, plan, tmp_path):
        """Float frames are the light before the sensor, and frames.json says linear."""
        stack = read_stack(write_stack(plan, tmp_path / "s", format="float32", progress=False))
        assert (stack.info["encoding"], stack.info["bits"]) == ("linear", 32)
        np.testing.assert_array_equal(stack.frames[1], plan.exposure(1))

    def test_unknown_format_is_refused(self, plan, tmp_path):
        """The message lists the formats, and nothing is written."""
        with pytest.raises(ValueError, match="format: got 'gif', allowed tiff16, png16, jpeg8"):
            write_stack(plan, tmp_path / "s", format="gif")
        assert not list(tmp_path.iterdir())


class TestWholeOrNotAtAll:
    """An existing path is left alone, and a failed write leaves nothing."""

    def _taken(self, path: Path, kind: str) -> None:
        if kind == "file":
            path.write_text("mine")
        elif kind == "link":
            path.symlink_to("nowhere")
        else:
            path.mkdir()
            if kind == "folder":
                (path / "notes.txt").write_text("mine")

    @pytest.mark.parametrize("kind", ["file", "link", "empty folder", "folder"])
    def test_existing_path_is_refused(self, kind, plan, tmp_path):
        """Whatever stands there stays as it is."""
        path = tmp_path / "s"
        self._taken(path, kind)
        before = sorted(tmp_path.rglob("*"))
        with pytest.raises(StackExistsError, match="exists already"):
            write_stack(plan, path, progress=False)
        assert sorted(tmp_path.rglob("*")) == before

    @pytest.mark.parametrize("kind", ["file", "empty folder", "folder"])
    def test_path_taken_meanwhile_is_refused(self, kind, plan, tmp_path, monkeypatch):
        """A path that comes into being during the work is not replaced."""
        own = Shoot.truth

        def truth(self, reference=None):
            self_test._taken(path, kind)
            return own(self, reference)

        self_test, path = self, tmp_path / "s"
        monkeypatch.setattr(Shoot, "truth", truth)
        with pytest.raises(StackExistsError, match="exists already"):
            write_stack(plan, path, progress=False)
        assert [entry.name for entry in tmp_path.iterdir()] == ["s"]
        assert not (path / "stack.json").exists()

    @pytest.mark.parametrize("error", [RuntimeError("no light"), KeyboardInterrupt("stop")])
    def test_failed_write_leaves_nothing(self, error, plan, tmp_path, monkeypatch):
        """An error or an interrupt at the last frame leaves an empty place."""
        own = Shoot.frame

        def frame(self, number):
            if number == 2:
                raise error
            return own(self, number)

        monkeypatch.setattr(Shoot, "frame", frame)
        with pytest.raises(type(error), match=str(error)):
            write_stack(plan, tmp_path / "s", progress=False)
        assert not list(tmp_path.iterdir())

    def test_impossible_plan_is_refused_before_writing(self, tmp_path):
        """An ISO below the sensor's own is named, and nothing is written."""
        with pytest.raises(ValueError, match=r"iso must be >= the base ISO 100, got 50"):
            write_stack(small_plan(iso=50), tmp_path / "s", progress=False)
        with pytest.raises(ValueError, match="workers: got 0, allowed 1 or more"):
            write_stack(small_plan(), tmp_path / "s", workers=0)
        assert not list(tmp_path.iterdir())

    def test_lost_worker_is_reported_and_leaves_nothing(self, tmp_path):
        """A worker process that is ended from outside is an error, and no file is left."""
        with ThreadPoolExecutor(1) as thread:
            writing = thread.submit(
                write_stack, small_plan(frames=60), tmp_path / "s", workers=2, progress=False
            )
            while not active_children():
                time.sleep(0.01)
            active_children()[0].kill()
            with pytest.raises(StackError, match="ended from outside"):
                writing.result()
        assert not list(tmp_path.iterdir())


def cut_off(folder: Path) -> None:
    """Cut a frame off in the middle."""
    path = folder / "frames/0001.tif"
    path.write_bytes(path.read_bytes()[:1000])


def flip_one_bit(folder: Path) -> None:
    """Change one bit of one truth image."""
    path = folder / "truth/ideal.tif"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def change_seed(folder: Path) -> None:
    """Claim another seed in stack.json."""
    path = folder / "stack.json"
    path.write_text(path.read_text().replace('"seed": 5', '"seed": 6'))


DAMAGES = {
    "missing": (
        lambda folder: (folder / "frames/0002.tif").unlink(),
        "frames/0002.tif",
        r"frames/0002.tif is missing; got no file, expected \d+ bytes",
    ),
    "extra": (
        lambda folder: (folder / "frames/0003.tif").write_bytes(b"x"),
        "frames/0003.tif",
        "frames/0003.tif does not belong to the stack",
    ),
    "extra in truth": (
        lambda folder: (folder / "truth/new").symlink_to("ideal.tif"),
        "truth/new",
        "truth/new does not belong to the stack",
    ),
    "cut off": (
        cut_off,
        "frames/0001.tif",
        r"0001.tif is cut off: got 1000 bytes, expected \d+",
    ),
    "changed": (
        flip_one_bit,
        "truth/ideal.tif",
        r"ideal.tif was changed: got SHA-256 \w{12}..., expected \w{12}",
    ),
    "other seed": (change_seed, "stack.json", r"stack.json was changed: got SHA-256"),
    "no JSON": (
        lambda folder: (folder / "stack.json").write_text("{"),
        "stack.json",
        "stack.json: cannot be read: it is not JSON: Expecting",
    ),
    "other layout": (
        lambda folder: (folder / "stack.json").write_text('{"layout": 2}'),
        "stack.json",
        "got layout 2, expected 1",
    ),
    "unknown key": (
        lambda folder: (folder / "stack.json").write_text('{"layout": 1, "colour": 1}'),
        "stack.json",
        "stack.json: key '",
    ),
    "file outside": (
        lambda folder: resealed(folder, files={"../up": {"bytes": 0, "sha256": "0" * 64}}),
        "stack.json",
        "got file '../up' outside the stack",
    ),
}


class TestVerify:
    """No change goes unseen."""

    @pytest.mark.parametrize("kind", list(DAMAGES))
    def test_damage_is_found_and_named(self, kind, copy):
        """The error names the file, what was got and what was expected, in one line."""
        spoil, file, message = DAMAGES[kind]
        spoil(copy)
        with pytest.raises(StackError, match=message) as caught:
            read_stack(copy)
        assert caught.value.file == file
        assert len(str(caught.value).splitlines()) == 1
        assert str(caught.value) in check_stack(copy)

    def test_sound_stack_has_no_problem(self, written, copy):
        """A fresh stack and its copy are sound."""
        assert check_stack(written) == check_stack(copy) == []

    def test_all_damages_are_listed(self, copy):
        """check_stack goes on after the first problem."""
        cut_off(copy)
        flip_one_bit(copy)
        assert [line.split()[1:3] for line in check_stack(copy)] == [
            ["is", "cut"],
            ["was", "changed:"],
        ]

    @pytest.mark.parametrize("place", ["nowhere", ""])
    def test_no_stack_at_all(self, place, tmp_path):
        """A missing or an empty folder is no stack, for reading and for checking."""
        for look in (read_stack, check_stack):
            with pytest.raises(StackError, match="is no stack: "):
                look(tmp_path / place)

    def test_without_verifying_a_broken_frame_is_still_an_error(self, copy):
        """verify=False opens the folder; reading the frame that is cut off names it."""
        cut_off(copy)
        frames = read_stack(copy, verify=False).frames
        assert frames[0].shape == (48, 64, 3)
        with pytest.raises(ValueError, match=r"0001\.tif cannot be read as a picture"):
            _ = frames[1]

    def test_frame_of_another_size_is_an_error(self, copy, plan):
        """A frame that is not of the size in frames.json is named with both sizes."""
        (copy / "frames/0001.tif").write_bytes(encode_image(plan.frame(1).image[:-1], ".tif"))
        resealed(copy)
        (problem,) = check_stack(copy)
        assert "0001.tif: got uint16 of shape (47, 64, 3), expected uint16" in problem

    def test_files_that_disagree_are_found(self, copy):
        """frames.json with a frame too few does not go with the plan, though its checksum does."""
        info = json.loads((copy / "frames.json").read_text())
        info["frames"].pop()
        (copy / "frames.json").write_text(json.dumps(info))
        resealed(copy)
        (problem,) = check_stack(copy)
        assert "frames differ: 3 in stack.json, 2 in frames.json, 3 in truth/frames.csv" in problem

    def test_plan_with_a_bad_value_is_found(self, copy):
        """A plan that no version wrote is reported with key and value."""
        data = plan_to_data(small_plan())
        data["rig"]["lens"]["f_number"] = -2.8
        resealed(copy, plan=data)
        (problem,) = check_stack(copy)
        assert "key 'rig.lens.f_number': got -2.8" in problem


@pytest.mark.parametrize("quality", ["fast", "exact"])
def test_a_stack_and_its_rows_know_their_quality(quality, tmp_path):
    """What was asked for stands in stack.json, comes back, and is told beside every score."""
    made = small_plan(quality=quality, crop=(16, 16), frames=2)
    read = read_stack(write_stack(made, tmp_path / "small", progress=False))
    assert json.loads((tmp_path / "small" / "stack.json").read_text())["plan"]["quality"] == quality
    for stack in (read, MemoryStack(made), MemoryStack(JoinedShoots(shoots=(made, made)))):
        assert (
            without_result(stack.shoot, Outcome(status="failed"), name="any").row["quality"]
            == quality
        )
