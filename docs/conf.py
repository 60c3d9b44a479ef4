"""How Sphinx builds these pages: ``sphinx-build --fail-on-warning docs build/docs``."""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).parent
sys.path[:0] = [str(DOCS), str(DOCS.parent / "src")]

import shoegoal  # noqa: E402
from generated import rooms_page  # noqa: E402

project = "shoegoal"
version = release = shoegoal.__version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["parts"]
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "description": "A phone clip of a soccer shooting set in, a tally a teacher can verify out",
    "fixed_sidebar": True,
    "page_width": "1100px",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "font_size": "16px",
}
html_show_sourcelink = False
html_copy_source = False
autodoc_typehints = "signature"
autodoc_member_order = "bysource"

_parts = DOCS / "parts"
_parts.mkdir(exist_ok=True)
(_parts / "rooms.md").write_text(rooms_page(), encoding="utf-8")
