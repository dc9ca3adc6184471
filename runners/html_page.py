"""Pages of HTML that are made of a template beside the code that fills it."""

from __future__ import annotations

from pathlib import Path

import jinja2


def filled(template: Path, **words: object) -> str:
    """Return a page: a template with words put in, each of them escaped.

    Parameters
    ----------
    template : Path
        What it extends or imports lies in its folder, or beside this file: `field_page.html`, of
        which the pages for photographers are made.
    **words : object
        By the names that the template has for them; all of those must be there.
    """
    surroundings = jinja2.Environment(
        loader=jinja2.FileSystemLoader([template.parent, Path(__file__).parent]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    return surroundings.get_template(template.name).render(words)
