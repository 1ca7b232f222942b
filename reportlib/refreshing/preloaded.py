"""All that a report needs, imported once, by the process that every session's is forked from.

What is left out here is imported by each of them anew.
"""

from reportlib.quick_imports import without_address_grammar

with without_address_grammar():
    import nbformat.sign

# and what these, and the libraries that they use, import within functions
import ipykernel.kernelapp
import jinja2.ext
import jupyter_core.application
import papermill
import scipy.interpolate
import typst

import reportlib.kernel

LOADED = (
    ipykernel, jinja2, jupyter_core, nbformat, papermill, reportlib, scipy, typst,
)  # fmt: skip
"""What stands above, so that it is seen to be used."""
