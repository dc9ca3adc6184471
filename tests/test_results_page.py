"""The page of results says what the tables beside it hold."""

import importlib.util
import json
from pathlib import Path

import pandas as pd
import pytest

RESULTS = Path(__file__).parents[1] / "results"
ROWS = ("demo", "renderer", "quick", "standard", "calibrate", "study", "limits")


@pytest.fixture(scope="module")
def page():
    """Return the script that writes the page."""
    spec = importlib.util.spec_from_file_location("results_page", RESULTS / "page.py")
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(RESULTS)
        spec.loader.exec_module(module)
        yield module


@pytest.fixture(scope="module")
def text(page):
    """Return the page as it is now, made once."""
    return page.page()


def test_the_page_is_what_its_tables_say(text):
    """Nothing was edited by hand, and no table was remade without its page."""
    assert (RESULTS / "README.md").read_text(encoding="utf-8") == text


@pytest.mark.slow
def test_the_three_questions_are_answered_by_the_published_suite():
    """What the guide shows is what ``stacktruth compare`` prints today."""
    at = RESULTS.parent / "docs" / "generate" / "answers.py"
    spec = importlib.util.spec_from_file_location("answers", at)
    answers = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(answers)
    text = answers.PAGE.read_text(encoding="utf-8")
    assert answers.filled(text) == text


def test_the_page_names_every_folder(text):
    """What is published is listed with the command that makes it."""
    missing = [p.name for p in RESULTS.iterdir() if p.is_dir() and f"`{p.name}/`" not in text]
    assert [name for name in missing if not name.startswith((".", "__"))] == []


def test_ladders_hold_the_ends_of_a_condition(page):
    """Mildest and hardest severity, means over scenes, for the frames and each method."""
    cases = [(1, 0.3, "a", 50.0, 40.0), (1, 0.3, "b", 50.0, 30.0), (2, 1.0, "a", 45.0, 35.0)]
    cases += [(2, 1.0, "b", 45.0, 31.0), (3, 2.5, "a", 41.0, 33.0), (3, 2.5, "b", 41.0, 32.0)]
    columns = ["severity", "value", "method", page.LIMIT, page.RESULT]
    rows = pd.DataFrame(cases, columns=columns).assign(condition="step")
    rows[page.SELECTION] = rows[page.LIMIT] - 5
    last = page.ladders(rows, ["a", "b"]).splitlines()[-1]
    assert last == (
        "| step | 0.3 -> 2.5 | 50.0 -> 41.0 | 45.0 -> 36.0 | 40.0 -> 33.0 | 30.0 -> 32.0 |"
    )


def test_the_page_says_how_old_a_study_is(page, monkeypatch):
    """From the checksums: what they call old is called so in its row, and nothing else is."""
    old = {"limits": ["simulator/optics.py"], "reproduce/fusion-blocks": ["metrics/x.py"]}
    monkeypatch.setattr(page, "stale", lambda: old)
    lines = page.page().splitlines()
    rows = {name: next(row for row in lines if row.startswith(f"| `{name}/`")) for name in ROWS}
    assert [name for name, row in rows.items() if row.endswith("| older than the code |")] == [
        "limits"
    ]
    assert sum(row.endswith("| as the code is |") for row in rows.values()) == len(ROWS) - 1
    assert any("code:** `reproduce/fusion-blocks`, `limits`." in line for line in lines)


def test_sentences_of_a_suite_are_made_of_its_rows(page):
    """By hand: on a support 3 dB more is allowed and 2 more come out; an alignment gains 1 dB."""
    lost = {"focus-map": 1.0, "wavelet": 4.0, "wavelet+true-warp": 3.0, "mean": 9.0}
    rows = pd.DataFrame(
        {
            "condition": "plain", "scene": f"s{scene}", "stance": stance, "seed": 1,
            "method": method, "kind": "built-in", "status": "ok", "frames": 10 + scene,
            "merge_loss_db": less - extra,
            page.LIMIT: 40.0 + 3 * (stance == "stepped"),
            page.RESULT: 40.0 - less + extra + 2 * (stance == "stepped"),
        }
        for scene in range(8)
        for stance in ("stepped", "braced")
        for method, less in lost.items()
        for extra in [0.1 * scene]
    )  # fmt: skip
    plain, found = page._stand(rows)
    kinds = {f"s{scene}": ("hairs",) if scene < 6 else ("smooth",) for scene in range(8)}
    authors = page.for_authors(plain, found, kinds)
    assert authors[0].startswith("focus-map lost least in the merge on 8 scenes")
    assert authors[1:] == [
        "On 6 scenes of the kind *hairs* focus-map loses least, typically 0.75 dB (0.50 to 1.00).",
        "By hand, wavelet would gain 1.00 dB (1.00 to 1.00) from an alignment without errors.",
    ]
    told = page.for_photographers(plain, found)
    assert told[0].startswith("Frames on a support allow 3.00 dB (3.00 to 3.00) more than braced")
    assert told[1].startswith("Merged by focus-map, the pictures are 2.00 dB (2.00 to 2.00) better")
    assert "0.65 dB (0.40 to 0.90) on a support" in told[2]
    assert told[3].endswith("of 8 scenes needs 10 to 17 frames, half of them 14 and more.")
    assert page.for_photographers(plain[plain["stance"] == "braced"], found) == []


def judged(*rows):
    """Return a table of claims of ledger, strict and lenient verdict."""
    told = [
        (ledger, f"claim {number}", "first", "third", strict, "first", lenient, "near", "few", "me")
        for number, (ledger, strict, lenient) in enumerate(rows)
    ]
    columns = ["ledger", "claim", "published", "ours", "strict", "strict rule", "lenient"]
    return pd.DataFrame(told, columns=[*columns, "lenient rule", "why they differ", "source"])


def test_the_two_ledgers_are_never_summed(page):
    """Totals by hand: published by two verdicts, our own by one, and what cannot be told apart."""
    tables = {
        "first": judged(
            ("published", "yes", "yes"),
            ("published", "no", "yes"),
            ("published", "cannot say", "cannot say"),
            ("own", "yes", "yes"),
        ),
        "second": judged(("published", "no", "no"), ("own", "no", "no"), ("own", "yes", "yes")),
        "third": pd.DataFrame({"claim": ["old"], "agrees?": ["yes"]}),
    }
    ages = {f"reproduce/{name}": "new" for name in tables}
    found = page.ledgers(tables, ages)
    assert found["published"].splitlines()[2:] == [
        "| `first` | 2 | 1 | 2 | 1 | new |",
        "| `second` | 1 | 0 | 0 | 0 | new |",
        "| **all** | 3 | 1 | 2 | 1 |  |",
    ]
    assert found["own"].splitlines()[2:] == [
        "| `first` | 1 | 1 | new |",
        "| `second` | 2 | 1 | new |",
        "| **all** | 3 | 2 |  |",
    ]
    assert found["uncounted"] == "`third`"
    assert page.forgiven(tables).splitlines()[2:] == [
        "| claim 1 | first | third | first | near | few | me |"
    ]
    assert page.missed(tables["second"]) == "- claim 0: third.\n- claim 1: third."


def test_the_page_has_the_totals_of_the_claims_tables(text):
    """Counted here from the tables themselves, one row a statement."""
    tables = [pd.read_csv(path) for path in (RESULTS / "reproduce").glob("*/claims.csv")]
    rows = pd.concat([table for table in tables if "ledger" in table])
    told = rows[rows["strict"] != "cannot say"]
    published = told[told["ledger"] == "published"]
    counts = [len(published), *(sum(published[kind] == "yes") for kind in ("strict", "lenient"))]
    assert f"| **all** | {counts[0]} | {counts[1]} | {counts[2]} |" in text
    own = told[told["ledger"] == "own"]
    assert f"| **all** | {len(own)} | {sum(own['strict'] == 'yes')} |  |" in text


def test_sentences_were_read_with_the_numbers_as_they_are(page, text):
    """A table that was remade may make a sentence beside it wrong: somebody reads it again.

    Then ``python results/page.py --read`` says so.
    """
    assert page.unread(text) == []


def test_a_number_that_changes_is_to_be_read_and_a_study_s_age_is_not(page, monkeypatch, tmp_path):
    """By section, named by its heading."""
    text = f"# Page\n\n## one\n\nIt is 3.5, {page.NEW}.\n\n### two\n\nIt is 4.\n"
    monkeypatch.setattr(page, "_READ", tmp_path / "read.json")
    assert page.unread(text) == ["one", "two"]
    page._READ.write_text(json.dumps(page.sections(text)), encoding="utf-8")
    assert page.unread(text) == []
    assert page.unread(text.replace("3.5", "3.6")) == ["one"]
    assert page.unread(text.replace(page.NEW, page.OLD)) == []
