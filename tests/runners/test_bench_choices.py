"""What can be chosen on the page of a benchmark: each choice is what its rows alone would tell."""

import pandas as pd

from stacktruth.runners.bench.ranking.metric_column import LOST, metric_column
from stacktruth.runners.bench.ranking.standings import standings
from stacktruth.runners.bench.report.choices import choices, tell


def test_each_choice_is_told_as_its_rows_alone_would_be(two_stances: pd.DataFrame) -> None:
    """Stances and rigs, together too; the light is the same throughout and no choice."""
    rows = two_stances
    metric = metric_column(LOST, rows.columns)
    found = choices(rows, metric, {})
    assert found is not None
    assert found.factors == {"stance": ["stepped", "braced"], "rig": ["field-1x", "field-2x"]}
    assert [part.key for part in found.told] == ["0-1", "0-2", "1-0", "1-1", "2-0", "2-1", "2-2"]
    by_key = {part.key: part for part in found.told}
    assert by_key["1-0"].sentence.startswith("With stance stepped: focus-map lost least")
    assert by_key["2-2"].sentence.startswith("With stance braced and rig field-2x: wavelet lost")
    braced = rows[rows["stance"] == "braced"]
    alone = tell(braced, standings(braced, metric), {})
    assert by_key["2-0"].chart == alone.chart
    assert by_key["2-0"].kinds == alone.kinds
    assert by_key["2-0"].sentence == f"With stance braced: {alone.sentence}"


def test_many_choices_are_not_combined_and_one_way_is_no_choice(
    two_stances: pd.DataFrame,
) -> None:
    """Nine choices are more than eight: one factor at a time, as the note says."""
    rows = two_stances
    found = choices(rows, metric_column(LOST, rows.columns), {}, most=8)
    assert found is not None
    assert [part.key for part in found.told] == ["0-1", "0-2", "1-0", "2-0"]
    assert found.note.endswith("One factor is chosen at a time.")
    one = rows[(rows["stance"] == "braced") & (rows["rig"] == "field-1x")]
    assert choices(one, metric_column(LOST, rows.columns), {}) is None
