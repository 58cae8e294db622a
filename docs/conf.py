"""How the documentation site is built: `make docs`, warnings are errors."""

from __future__ import annotations

import logging
import warnings

from halocline import __version__

project = "Halocline"
author = "The Halocline contributors"
project_copyright = "The Halocline contributors"
release = __version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.mathjax",
    "numpydoc",
    "sphinx_gallery.gen_gallery",
]
html_theme = "furo"
html_title = f"Halocline {release}"
# The folder of examples makes pages of its own.
exclude_patterns = ["examples", "pictures/README.md"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
# Indented blocks are commands and listings, not Python.
highlight_language = "none"
myst_heading_anchors = 4
nitpicky = False
numpydoc_show_class_members = False
autodoc_typehints = "none"
# Pages name files of the repository that are outside this folder: a reader of the repository has them.
# `tests/test_documentation.py` checks that they are there.
suppress_warnings = ["myst.xref_missing", "config.cache"]

sphinx_gallery_conf = {
    "examples_dirs": ["examples"],
    "gallery_dirs": ["examples_made"],
    "filename_pattern": r"/plot_",
    # An example that fails fails the build.
    "only_warn_on_example_error": False,
    "show_memory": False,
    "download_all_examples": False,
    "image_scrapers": ("matplotlib",),
    "within_subsection_order": "FileNameSortKey",
}
warnings.filterwarnings("ignore", message=".*related API features are not available.*")
logging.getLogger("matplotlib").setLevel(logging.ERROR)
