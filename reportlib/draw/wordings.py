"""The wordings of drafts, captions and alternative texts, read from the narrative's files."""

import functools

from jinja2 import FileSystemLoader, StrictUndefined
from jinja2.sandbox import SandboxedEnvironment

from reportlib.session.files import templates_folder
from reportlib.write.writer import worded


@functools.cache
def narrative_templates() -> SandboxedEnvironment:
    """Return the environment that finds the narrative's wordings; no code runs from it."""
    return SandboxedEnvironment(
        loader=FileSystemLoader(templates_folder() / "narrative"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
        autoescape=False,  # Markdown, cleaned when it is rendered
    )


def said(wording: str, /, **values: object) -> str:
    """Fill in one of the narrative's wordings, by default what figures and tables say."""
    return worded(narrative_templates(), wording, **values)
