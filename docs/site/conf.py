"""How the pages in docs/ become a site, by ``make docs``."""

from importlib.metadata import version as version_of

from pygments.lexers.special import TextLexer
from sphinx.application import Sphinx

project = "Fourlight"
author = "The Fourlight developers"
copyright = author  # noqa: A001 (a setting of Sphinx)
version = release = version_of("fourlight")

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["site"]
myst_heading_anchors = 4
smartquotes = False  # options begin with two hyphens
toc_object_entries = False
napoleon_google_docstring = False
autodoc_typehints = "none"  # numpydoc sections tell the types already

html_theme = "alabaster"
html_title = "Fourlight"
html_theme_options = {
    "description": "An honest deep-sky picture, measured plane by plane",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "page_width": "1120px",
    "sidebar_width": "240px",
    "show_powered_by": False,
}
html_static_path = ["style"]
html_css_files = ["pages.css"]
html_copy_source = False
html_show_sourcelink = False


def setup(app: Sphinx) -> None:
    """Show tables with commas as plain text, of which Pygments knows no language."""
    app.add_lexer("csv", TextLexer)
