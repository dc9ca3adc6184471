"""Checksums against the examples of the standard."""

from pathlib import Path

from stacktruth.ground.checksum import file_sha256, sha256

#: FIPS 180-2, appendix B.1 (the message "abc") and RFC 6234 (the empty message); from memory.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def test_checksums_are_those_of_the_standard(tmp_path: Path) -> None:
    """Of bytes and of a file that holds them."""
    for message, checksum in ((b"abc", ABC), (b"", EMPTY)):
        assert sha256(message) == checksum
        (tmp_path / "message").write_bytes(message)
        assert file_sha256(tmp_path / "message") == checksum
