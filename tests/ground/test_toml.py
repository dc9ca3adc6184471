"""TOML files and what is wrong with them."""

import re

import pytest

from stacktruth.ground.toml import TomlError, parse_toml, read_toml


def test_a_file_is_read(tmp_path):
    """Tables, numbers and accents."""
    (tmp_path / "a.toml").write_text('x = 1\n[b]\nname = "é"\n', encoding="utf-8")
    assert read_toml(tmp_path / "a.toml") == {"x": 1, "b": {"name": "é"}}


@pytest.mark.parametrize("data", [b"x = [1, 2\n", b'x = "\xe9"\n', b"x = 1\nx = 2\n"])
def test_what_is_not_toml_is_refused_by_name(tmp_path, data):
    """A syntax error, another encoding, a key given twice: file and reason on one line."""
    path = tmp_path / "a.toml"
    path.write_bytes(data)
    with pytest.raises(TomlError, match=rf"^{re.escape(str(path))}: not valid TOML: [^\n]+$"):
        read_toml(path)


def test_a_missing_file_stays_a_missing_file(tmp_path):
    """The system's own error."""
    with pytest.raises(FileNotFoundError):
        read_toml(tmp_path / "a.toml")


def test_a_byte_that_is_no_text_is_told_with_its_line() -> None:
    """What was got, where, and what is allowed."""
    with pytest.raises(TomlError, match=r"got byte 0xe9 in line 2, allowed UTF-8"):
        parse_toml(b"a = 1\nb = 'caf\xe9'\n")
