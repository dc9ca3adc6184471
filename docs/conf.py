"""How Sphinx builds the book: ``python -m sphinx -W --keep-going -b html docs docs/_build``."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from generate.pages import write_all  # noqa: E402 - found beside this file

project = "stacktruth"
author = "The stacktruth developers"
extensions = ["myst_parser", "sphinx.ext.autodoc", "numpydoc"]
exclude_patterns = ["_build", "generated"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
default_role = "py:obj"  # one backtick names an object in docstrings, linked where there is one
add_module_names = False
autodoc_member_order = "bysource"
autodoc_typehints = "none"  # docstrings tell types in words; an expanded array type fills a screen
numpydoc_show_class_members = False
# What must not be missing: a docstring, a parameter that is told of and not there, and the reverse.
numpydoc_validation_checks = {"GL08", "PR02", "PR01"}

html_theme = "alabaster"
html_static_path = ["style"]
html_css_files = ["book.css"]
html_theme_options = {
    "description": "Macro stacks with known truth, and scores for stacking methods.",
    "fixed_sidebar": True,
    "page_width": "1180px",
    "sidebar_width": "230px",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "show_powered_by": False,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html", "relations.html"]}
html_show_sourcelink = False
html_copy_source = False


def setup(app):
    """Make the pages that come from the code's records before any page is read."""
    app.connect("builder-inited", lambda app: write_all(HERE / "generated"))
