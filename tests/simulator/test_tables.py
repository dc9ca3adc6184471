"""Tables on a shelf: made once, and read back as they lay in memory."""

from contextvars import copy_context

import numpy as np
import pytest

from stacktruth.simulator.tables import share_tables, shelf_at, table

MADE = []


def grid(side: int, kind: str) -> tuple[np.ndarray, float]:
    """Make a table of three axes whose order in memory depends on its kind."""
    MADE.append((side, kind))
    values = np.random.default_rng(side).random((side, side + 1, side + 2))
    views = {"rows": values, "turned": values.transpose(2, 0, 1), "part": values[:, :, ::2]}
    return views[kind], 0.5


def another_process():
    """Return the table of a process that has made none yet."""
    return table(most=4)(grid)


@pytest.fixture(autouse=True)
def none_made():
    """Begin with none."""
    MADE.clear()


def test_without_a_shelf_each_process_makes_its_own(tmp_path):
    """Once, as long as it is among the last."""
    first, other = another_process(), another_process()
    assert first(3, "rows") is first(3, "rows")
    other(3, "rows")
    assert len(MADE) == 2


@pytest.mark.parametrize("kind", ["rows", "turned"])
def test_on_a_shelf_it_is_made_once_and_lies_as_it_lay(kind, tmp_path):
    """Sums run over the axes as they lie: in another order they would be rounded differently."""
    with shelf_at(tmp_path):
        made, found = (another_process()(4, kind) for _ in range(2))
    assert [(4, kind)] == MADE
    assert found[1] == made[1]
    np.testing.assert_array_equal(found[0], made[0])
    assert found[0].strides == made[0].strides
    assert found[0].sum(axis=1).tobytes() == made[0].sum(axis=1).tobytes()


def test_a_part_of_an_array_is_not_laid_there(tmp_path):
    """It would come back with its numbers closer together."""
    with shelf_at(tmp_path):
        made, again = (another_process()(4, "part") for _ in range(2))
    assert len(MADE) == 2
    np.testing.assert_array_equal(made[0], again[0])
    assert not list(tmp_path.iterdir())


def test_what_is_asked_for_is_told_apart(tmp_path):
    """Another number, another word; and nothing is taken outside the block."""
    with shelf_at(tmp_path):
        another_process()(4, "rows")
        assert another_process()(5, "rows")[0].shape == (5, 6, 7)
        assert another_process()(4, "turned")[0].shape == (6, 4, 5)
    assert len(list(tmp_path.iterdir())) == 3
    another_process()(4, "rows")
    assert len(MADE) == 4


def test_a_process_may_share_all_its_tables(tmp_path):
    """From then on, in a folder that is made; others are not told."""
    process = copy_context()
    process.run(share_tables, tmp_path / "tables")
    process.run(lambda: another_process()(4, "rows"))
    process.run(lambda: another_process()(4, "rows"))
    assert len(MADE) == 1
    another_process()(4, "rows")
    assert len(MADE) == 2


def test_where_nothing_can_be_laid_each_makes_its_own(tmp_path):
    """The folder above is gone, or a file stands there: the tables are the same."""
    (tmp_path / "file").write_text("mine")
    for folder in (tmp_path / "gone" / "tables", tmp_path / "file"):
        process = copy_context()
        process.run(share_tables, folder)
        values, _ = process.run(lambda: another_process()(4, "rows"))
        np.testing.assert_array_equal(values, grid(4, "rows")[0])
    assert (tmp_path / "file").read_text() == "mine"
