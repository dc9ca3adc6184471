"""Records of columns: which names they cover."""

import pytest

from stacktruth.ground.columns import Column, column_of


def column(name):
    """Return a record of which only the name counts."""
    return Column(name, "", "any number", "Nothing.")


@pytest.mark.parametrize(
    ("record", "name", "covered"),
    [
        ("frame", "frame", True),
        ("frame", "frames", False),
        ("psnr_db[.REGION]", "psnr_db", True),
        ("psnr_db[.REGION]", "psnr_db.never-in-focus", True),
        ("psnr_db[.REGION]", "psnr_db.", False),
        ("psnr_db[.REGION]", "psnr_db_as_given", False),
        ("bad_share_0.5dof", "bad_share_0x5dof", False),
        ("part_NAME_x_mm", "part_left-wing_x_mm", True),
        ("part_NAME_x_mm", "part__x_mm", False),
    ],
)
def test_a_record_covers_its_own_names_alone(record, name, covered):
    """Capitals stand for any name, brackets for what may be left out, dots for dots."""
    assert column(record).covers(name) is covered


def test_a_column_without_record_is_named():
    """The error says which."""
    columns = [column("frame"), column("psnr_db[.REGION]")]
    assert column_of("psnr_db.fibres", columns) is columns[1]
    with pytest.raises(ValueError, match="got 'psnr', which no record describes"):
        column_of("psnr", columns)
