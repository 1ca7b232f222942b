"""All that a report needs, imported once, by the process that every session's is forked from.

What is left out here is imported by each of them anew.
"""
# ruff: noqa: F401

from reportlib.publish.quick_imports import without_address_grammar

with without_address_grammar():
    import nbformat.sign

# what these, and the libraries that they use, import within functions
import ipykernel.kernelapp
import jinja2.ext
import jupyter_core.application
import papermill
import scipy.interpolate
import scipy.optimize
import scipy.signal
import typst

import reportlib.many.refresh
import reportlib.publish.kernel
import reportlib.publish.notebook
import reportlib.publish.outputs
import reportlib.publish.page
import reportlib.publish.paper
import reportlib.publish.plain
