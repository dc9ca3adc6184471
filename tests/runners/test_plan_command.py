"""The plan command: what it prints and leaves, and that a wrong request leaves nothing."""

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from math import ceil

import pytest
from PIL import Image

from stacktruth.runners.cli import build_parser, main
from stacktruth.runners.commands.plan import setting_of
from stacktruth.runners.plan import make_plan
from stacktruth.runners.plan.show.card import field_card
from stacktruth.runners.plan.show.words import (
    CAUTIONS,
    f_stop,
    many,
    mm,
    percent,
    power,
    ratio,
    shutter,
)
from stacktruth.simulator.data import find_data_file

#: A perfect support: no hands to draw, so planned at once.
QUICK = ["plan", "--rig", "field-2x", "--stance", "stepped", "--light", "steady-lamp"]
DEPTH = ["--subject-depth", "2"]
#: Steps of 0.6 of the depth of field 2 N c / m^2, c the sensor's width over 1250, and one more.
FRAMES = ceil(2 / (0.6 * 2 * 16.8 * (6000 * 3.9e-3 / 1250) / 2**2)) + 1


def planned(capsys, *options):
    """Run the command for JSON and return what it printed."""
    assert main([*QUICK, *DEPTH, "--json", *options]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_text_leads_with_what_to_do(capsys):
    """Plain words first: how, where, and what it promises; tables and cautions after."""
    assert main([*QUICK, *DEPTH]) == 0
    text = capsys.readouterr().out
    first, _, rest = text.partition("Before you shoot")
    assert first.splitlines()[2].startswith("Possible: 100 % chance that nothing is missed")
    assert f"Shoot one pass of {FRAMES} frames in steps of 0.094 mm a frame" in first
    assert "Start with the focus" in first
    assert "Choices, and their chance that nothing is missed" in rest
    assert all(caution in rest for caution in CAUTIONS)


def test_a_plan_loads_nothing_that_draws_renders_or_scores():
    """In a process of its own: what is slow to load waits until a page or a study is asked for."""
    code = (
        "import sys; from stacktruth.runners.cli import main; "
        f"main({[*QUICK, *DEPTH]!r}); "
        "print({'.'.join(name.split('.')[:2]) for name in sys.modules})"
    )
    asked = [sys.executable, "-c", code]
    said = subprocess.run(asked, capture_output=True, text=True, check=True).stdout
    loaded = said.splitlines()[-1]
    assert "'stacktruth.runners'" in loaded
    assert not re.search("'(pandas|matplotlib|skimage|stacktruth.metrics)'", loaded)


def test_the_json_holds_the_same_plan(capsys):
    """Numbers for programs: no NaN, and the words beside them."""
    plan = planned(capsys)
    assert plan["advised"]["frames"] == FRAMES
    assert plan["advised"]["step_mm"] == pytest.approx(0.6 * plan["depth_of_field"]["used_mm"])
    assert plan["advised"]["chance"] == 1
    assert [row["chance"] for row in plan["frames_for_chance"]] == [0.5, 0.9, 0.95]
    assert plan["flash_powers"] == []
    assert f"Shoot one pass of {FRAMES} frames" in plan["words"][1]
    assert plan["asked"]["working_f_number"] == pytest.approx(16.8)


def test_lens_numbers_overrule_the_rig(capsys):
    """At another f-number and magnification the depth of field is that of these numbers."""
    plan = planned(capsys, "--magnification", "1", "--f-number", "8", "--pitch", "5")
    assert plan["depth_of_field"]["geometric_mm"] == pytest.approx(2 * 16 * 0.024, rel=1e-3)
    assert plan["asked"]["blur_px"] == pytest.approx(6000 / 1250)


def test_a_lens_needs_no_rig(capsys):
    """Focal length, magnification and f-number are a lens; its pupils are alike."""
    options = ["--focal-length", "50", "--magnification", "1", "--f-number", "4"]
    assert main(["plan", *QUICK[3:], *DEPTH, *options, "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["asked"]["working_f_number"] == pytest.approx(8)


def test_sharpness_may_be_asked_in_two_ways(capsys):
    """A blur limit rules by the disc, a contrast limit by the lens' own transfer."""
    blur = planned(capsys, "--blur", "4")
    assert blur["depth_of_field"]["used_mm"] == blur["depth_of_field"]["geometric_mm"]
    contrast = planned(capsys, "--contrast", "0.6", "--detail", "0.1")
    assert contrast["depth_of_field"]["used_mm"] == contrast["depth_of_field"]["contrast_mm"]


@pytest.mark.parametrize(
    ("use", "circle_um"),
    [(["screen"], 18.72), (["print", "24"], 19.5), (["print", "60"], 7.8), (["crop100"], 7.8)],
)
def test_what_the_picture_is_for_sets_the_circle_of_confusion(capsys, use, circle_um):
    """The sensor is 23.4 mm wide, its pixels are 3.9 um (arithmetic; see `sharpness_for`)."""
    plan = planned(capsys, "--for", *use)
    assert 3.9 * plan["asked"]["blur_px"] == pytest.approx(circle_um)


def test_faint_detail_is_not_worth_a_depth(capsys):
    """Near the cut-off the plan says that its share of contrast means nothing."""
    plan = planned(capsys, "--contrast", "0.5", "--detail", "0.4")
    assert "means nothing" in plan["depth_of_field"]["reason"]


def test_a_curved_field_is_told(capsys):
    """At 4:1 the corner of half the picture, 1.4625 x 0.975 mm off, is 0.01 / 2 r^2 farther."""
    told = "at the subject's corner it is sharp 0.015 mm farther than in the middle"
    assert told in " ".join(planned(capsys, "--rig", "bellows-objective")["words"])
    assert "curved" not in " ".join(planned(capsys)["words"])


def test_flash_and_cadence_may_be_set(capsys):
    """Power, battery, recycle time, ambient share and rate reach the plan."""
    options = ["--light", "flash-sixteenth", "--power", "1/4", "--battery", "alkaline"]
    options += ["--recycle", "6", "--ambient-share", "0.1", "--fps", "3", "--exposure", "1/160"]
    plan = planned(capsys, *options)
    assert plan["asked"]["flash_power"] == 0.25
    assert plan["cadence"]["sustained_frames_per_s"] == pytest.approx(1 / (0.25 * 6))
    assert "flash at 1/4 with 10 % ambient light, 3 frames a second" in plan["title"]
    assert len(plan["flash_powers"]) == 8


def test_the_folder_is_complete(tmp_path, capsys):
    """Page, card, pictures and numbers: the page finds all its pictures."""
    out = tmp_path / "new" / "plan"
    assert main([*QUICK, *DEPTH, "--out", str(out)]) == 0
    page = (out / "index.html").read_text()
    named = set(re.findall(r'(?:src|href)="([^"]+)"', page))
    assert named == {"card.pdf", "card.png", "lanes.png", "coverage.png", "step.png"}
    assert {path.name for path in out.iterdir()} == named | {"index.html", "plan.json", "plan.txt"}
    assert (out / "plan.txt").read_text() == capsys.readouterr().out
    assert json.loads((out / "plan.json").read_text())["advised"]["frames"] == FRAMES


class Page(HTMLParser):
    """Collects the headings and the tags of a page, as Python's own parser reads them."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.headings = set(), []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.add(tag)

    def handle_data(self, data):
        """Note the text of the highest heading."""
        if self.lasttag == "h1" and data.strip():
            self.headings.append(data)


def test_what_a_file_says_is_text_on_the_page_and_no_markup(tmp_path):
    """A stance of your own may be called what you like."""
    stance, out = tmp_path / "mine.toml", tmp_path / "plan"
    shipped = find_data_file("stepped", kind="stance").read_text(encoding="utf-8")
    called = "one's <script>rail</script> & stand"
    stance.write_text(re.sub("(?m)^title = .*$", f'title = "{called}"', shipped), encoding="utf-8")
    asked = ["plan", "--rig", "field-2x", "--stance", str(stance), "--light", "steady-lamp"]
    assert main([*asked, *DEPTH, "--out", str(out)]) == 0
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    assert "script" not in page.tags
    assert called in "".join(page.headings)


def test_the_card_is_one_page(tmp_path):
    """One A5 page to print, not empty, and the same card as a picture."""
    out = tmp_path / "plan"
    assert main([*QUICK, *DEPTH, "--out", str(out)]) == 0
    pdf = (out / "card.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    with Image.open(out / "card.png") as card:
        width, height = card.size
        darks = card.convert("L").point(lambda level: 255 * (level < 128)).getbbox()
    assert height / width == pytest.approx(210 / 148, rel=0.01)
    left, upper, right, lower = darks
    assert 0 < left < right < width
    assert 0 < upper < lower < height


def test_the_card_says_the_cautions_in_full():
    """Every word of every caution, above the lower edge of the page."""
    args = build_parser(["plan"]).parse_args([*QUICK, *DEPTH])
    card = field_card(make_plan(setting_of(args)))
    written = " ".join(text.get_text() for text in card.texts)
    assert all(caution in written for caution in CAUTIONS)
    assert all(0 < text.get_position()[1] < 1 for text in card.texts)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--rig", "field-2x"], "--subject-depth"),
        ([*DEPTH], "a plan needs --rig, or all of"),
        ([*DEPTH, "--f-number", "8"], "a plan needs --rig, or all of"),
        ([*QUICK[1:], *DEPTH, "--blur", "3", "--contrast", "0.5"], "too many"),
        ([*QUICK[1:], *DEPTH, "--contrast", "0.5"], "go together"),
        ([*QUICK[1:], *DEPTH, "--for", "screen", "--blur", "3"], "too many"),
        ([*QUICK[1:], *DEPTH, "--for", "print"], "allowed screen, print WIDTH_CM, or crop100"),
        ([*QUICK[1:], *DEPTH, "--for", "print", "-3"], "--for"),
        ([*QUICK[1:], *DEPTH, "--for", "poster"], "allowed screen, print WIDTH_CM, or crop100"),
        ([*QUICK[1:], *DEPTH, "--subject-width", "0"], "allowed a number above 0"),
        ([*QUICK[1:], *DEPTH, "--speed", "3"], "--speed does not go with stance 'stepped'"),
        (["--rig", "field-2x", *DEPTH, "--step", "3"], "--step does not go with stance"),
        ([*QUICK[1:], *DEPTH, "--power", "1/4"], "has no flash, got --power"),
        ([*QUICK[1:], *DEPTH, "--power", "3"], "allowed a fraction"),
        ([*QUICK[1:], *DEPTH, "--chance", "1"], "chance must be > 0 and < 1"),
        ([*QUICK[1:], *DEPTH, "--overlap", "2"], "allowed a number from 0 to 1"),
        ([*QUICK[1:], "--subject-depth", "-1"], "allowed a number above 0"),
        ([*QUICK[1:], *DEPTH, "--contrast", "0.5", "--detail", "0.49"], "cut-off"),
    ],
)
def test_a_wrong_request_is_told_and_leaves_nothing(tmp_path, capsys, options, message):
    """Status 2, one line on stderr, and no folder."""
    out = tmp_path / "plan"
    assert main(["plan", *options, "--out", str(out)]) == 2
    assert message in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_folder_that_exists_is_left_alone(tmp_path, capsys):
    """Nothing is overwritten."""
    assert main([*QUICK, *DEPTH, "--out", str(tmp_path)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_plan_that_cannot_be_drawn_leaves_no_folder(tmp_path, monkeypatch, capsys):
    """A failure half-way takes the unfinished folder away."""

    def broken(plan):
        raise RuntimeError("no ink")

    monkeypatch.setattr("stacktruth.runners.plan.page.lanes_figure", broken)
    assert main([*QUICK, *DEPTH, "--out", str(tmp_path / "plan")]) == 1
    assert "no ink" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_numbers_are_written_as_the_trade_writes_them():
    """Stops, ratios, powers, shutter times and shares."""
    assert [f_stop(number) for number in (2.8, 5.6, 11, 16.8)] == ["f/2.8", "f/5.6", "f/11", "f/17"]
    assert [ratio(m) for m in (1, 2.5, 0.5)] == ["1:1", "2.5:1", "1:2"]
    assert [power(share) for share in (1, 0.5, 1 / 128)] == ["full power", "1/2", "1/128"]
    assert [shutter(seconds) for seconds in (2, 0.1, 1 / 250)] == ["2 s", "1/10 s", "1/250 s"]
    assert [mm(length) for length in (0.1, 0.0123, 12.3)] == ["0.10 mm", "0.012 mm", "12 mm"]
    assert [mm(length) for length in (0.0074, -0.0099, 0.00996)] == [
        "7.4 um",
        "-9.9 um",
        "0.010 mm",
    ]
    assert [many(count, "pass") for count in (1, 2)] == ["1 pass", "2 passes"]


def test_shares_near_all_and_nothing_are_not_rounded_to_them():
    """99.7 % is not written as all, 0.2 % not as nothing."""
    shares = [percent(share) for share in (0, 0.002, 0.5, 0.997, 1)]
    assert shares == ["0 %", "under 1 %", "50 %", "over 99 %", "100 %"]
