"""Text of unknown make as one plain line."""

from __future__ import annotations

import unicodedata

#: The longest line that is made, unless asked for otherwise.
LONGEST = 500
# Looked at of a text, as a multiple of what is kept: blanks that run together take more.
_LOOKED_AT = 8
# Unicode's general categories of what is not drawn: controls, marks of direction, halves of pairs
# that stand alone, private and unassigned characters (Unicode Standard, section 4.5).
_NOT_DRAWN = ("Cc", "Cf", "Cs", "Co", "Cn")


def plain_line(text: str, *, longest: int = LONGEST) -> str:
    """Return a text as one line that any table, terminal or page can hold.

    Parameters
    ----------
    text : str
        Anything, of any length.
    longest : int
        Characters that are kept; what is longer ends with three dots.

    Returns
    -------
    str
        Runs of blanks are one blank, and each character that is not drawn is a question mark.
    """
    looked_at = text[: longest * _LOOKED_AT]
    line = "".join(map(_drawn, " ".join(looked_at.split())))
    if len(line) > longest or len(looked_at) < len(text):
        return f"{line[: longest - 4].rstrip()} ..."
    return line


def _drawn(character: str) -> str:
    if character.isprintable():
        return character
    return "?" if unicodedata.category(character) in _NOT_DRAWN else " "
