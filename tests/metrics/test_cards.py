"""Every metric has a card, and the page of cards is made of the records."""

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import data

from stacktruth.metrics import METRICS
from stacktruth.metrics.cards import CARDS, page
from stacktruth.metrics.fusion.edges import edge_transfer

HERE = Path(__file__).parent
DOCS = HERE.parents[1] / "docs" / "metric_cards.md"


def test_every_metric_has_its_card():
    """None is missing, none is of a metric that is gone, and none is empty."""
    assert list(CARDS) == list(METRICS)
    for name, card in CARDS.items():
        assert min(map(len, (card.formula, card.blind, card.checked))) > 10, name


def test_the_docs_page_is_made_of_the_records():
    """Written by ``stacktruth list metrics --long > docs/metric_cards.md``."""
    assert DOCS.read_text(encoding="utf-8") == page(METRICS.values()) + "\n"


@pytest.mark.parametrize("name", METRICS)
def test_a_section_tells_what_the_record_says(name):
    """Source, range, direction, unit and the best value, each as the record has it."""
    metric = METRICS[name]
    section = page([metric])
    low, high = ("infinity" if math.isinf(end) else f"{end:.6g}" for end in metric.range)
    low = low if metric.range[0] > -math.inf else "-infinity"
    assert f"- range: {low} to {high}\n" in section
    assert f"- source: {metric.reference}\n" in section
    assert f"- unit: {metric.unit or 'none'}\n" in section
    better = f"nearest {metric.best:g}" if metric.direction == "nearest" else metric.direction
    assert f"- better: {better}\n" in section
    assert CARDS[name].formula in section
    assert CARDS[name].blind in section


@pytest.mark.parametrize("name", METRICS)
def test_what_a_metric_is_checked_against_is_there(name):
    """The test that a card names is a test of that file."""
    file, _, function = CARDS[name].checked.rpartition(" ")[2].partition("::")
    tree = ast.parse((HERE / file).read_text(encoding="utf-8"))
    assert function in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_edge_transfer_departs_from_print_by_default_and_says_so():
    """Its card says by how much at most; ``half_turn=False`` is as printed.

    An edge that leans by a degree to the left of the vertical, and one to the right, are
    opposites as printed and near by default.
    """
    scene = data.camera()[100:400, 100:400].astype(np.float32) / 255
    soft = gaussian_filter(scene, 2.0)
    half = np.arange(scene.shape[1]) < scene.shape[1] // 2
    frames = [np.where(half, scene, soft), np.where(half, soft, scene)]
    ours, printed = (
        edge_transfer((frames[0] + frames[1]) / 2, frames, data_range=1.0, half_turn=turn)
        for turn in (True, False)
    )
    assert 0 < ours - printed <= 0.019
    assert "half_turn=False" in CARDS["edge_transfer"].departs
    assert "0.019" in CARDS["edge_transfer"].departs
    assert CARDS["edge_transfer"].is_modified
    assert not CARDS["psnr_db"].is_modified
