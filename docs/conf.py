"""How the pages are made: see build.py, which lays their sources out and calls Sphinx."""

from trials.base.version import __version__

project = "trials"
author = "the trials project"
release = version = __version__
extensions = ["sphinx.ext.autodoc", "sphinx.ext.napoleon", "myst_nb"]
html_theme = "furo"
html_title = "trials"
html_copy_source = html_show_sourcelink = False
html_show_sphinx = False
html_show_search_summary = False  # it would fetch pages, which a folder does not allow
html_static_path = ["_static"]
html_css_files = ["wide.css"]

# Read offline: nothing is fetched for forms that would look alive
nb_ipywidgets_js: dict[str, dict[str, str]] = {}
nb_execution_mode = "off"  # they come as they ran
nb_code_prompt_show = nb_code_prompt_hide = "The code"
nb_mime_priority_overrides = [("html", "text/html", 0)]

myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
default_role = "code"
autodoc_typehints = "none"
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_param = False
toc_object_entries = False
