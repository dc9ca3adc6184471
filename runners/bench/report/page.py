"""What the pages with pictures to lay over each other share: their style and their script."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from markupsafe import Markup

from ...html_page import filled

_HERE = Path(__file__).parent


def page_of(template: str, **words: object) -> str:
    """Return a page that needs no network and runs no script but its own.

    Parameters
    ----------
    template : str
        Name of a template in this folder that extends ``page.html``.
    **words : object
        What is put into it.
    """
    style, script = (
        (_HERE / f"report.{kind}").read_text(encoding="utf-8") for kind in ("css", "js")
    )
    return filled(
        _HERE / template,
        style=Markup(style),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        **words,
    )
