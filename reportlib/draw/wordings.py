"""The wordings of drafts, captions and alternative texts, read from the narrative's files.

A tester's own stand in a folder of theirs, in files of the same names: a block there is said in
place of ours. Text is theirs, values are put in, and nothing else is understood: such a folder
may have come with somebody's session.
"""

import functools
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateSyntaxError, nodes
from jinja2.sandbox import SandboxedEnvironment

from reportlib.errors import RenderError, one_line
from reportlib.session import files
from reportlib.session.faults import nearest
from reportlib.write.writer import STATED, worded

ENDING = ".md.j2"
BESIDE = "words"
"""The folder beside a session's that is looked for where none is named."""
_UNSURE = {"may": "may|might|could", "can't": "can['’]t|cannot|can not"}
"""What a wording says of what the data leave open, and what says the same."""

Own = Mapping[str, str]
"""A tester's files by slot, checked."""
Hear = Callable[[str, Mapping[str, object]], None]
"""Is told of each wording that is said: ``<slot>/<block>`` and the values handed in."""


@dataclass(frozen=True, kw_only=True)
class Wording:
    """A block: the line that it begins in, its text, and in which line it places which value."""

    line: int
    text: str
    places: Mapping[str, int]


def _environment() -> SandboxedEnvironment:
    return SandboxedEnvironment(
        loader=FileSystemLoader(files.templates_folder() / "narrative"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
        autoescape=False,  # Markdown, cleaned when it is rendered
        cache_size=-1,  # whose templates are changed below
        auto_reload=False,
    )


_ours = functools.cache(_environment)


def narrative_templates(
    own: Own | None = None, *, hear: Hear | None = None
) -> SandboxedEnvironment:
    """Return the environment that finds the narrative's wordings; no code runs from it.

    Parameters
    ----------
    own : a tester's, from `own_words`: each block of theirs is said in place of ours
    hear : is told of each wording as it is said
    """
    if not own and hear is None:
        return _ours()
    templates = _environment()
    for slot, text in (own or {}).items():
        templates.get_template(f"{slot}{ENDING}").blocks |= templates.from_string(text).blocks
    if hear is not None:
        for slot in slots():
            blocks = templates.get_template(f"{slot}{ENDING}").blocks
            for block, say in blocks.items():
                blocks[block] = _heard(say, name=f"{slot}/{block}", hear=hear)
    return templates


def _heard(say: Callable[..., Any], *, name: str, hear: Hear) -> Callable[..., Any]:
    def heard(context: Any) -> Any:
        hear(name, context.parent)
        return say(context)

    return heard


def said(wording: str, /, **values: object) -> str:
    """Fill in one of the narrative's wordings, by default what figures and tables say."""
    return worded(narrative_templates(), wording, **values)


def in_words(module: ModuleType, *, own: Own) -> Any:
    """Return a module of figures or tables whose functions say a tester's wordings."""
    return _InWords(module, own=own) if own else module


class _InWords:
    def __init__(self, module: ModuleType, *, own: Own) -> None:
        self._module = module
        self._said = functools.partial(worded, narrative_templates(own))

    def __getattr__(self, name: str) -> Any:
        shown = getattr(self._module, name)
        if not says(shown):
            return shown
        return functools.update_wrapper(functools.partial(shown, said=self._said), shown)


def says(function: object) -> bool:
    """Whether a function of figures or tables can be told what says its words."""
    return "said" in (getattr(function, "__kwdefaults__", None) or ())


def slots() -> dict[str, dict[str, Wording]]:
    """Return all our wordings: by slot, then by block, in the order of the files."""
    folder = files.templates_folder() / "narrative"
    return {
        path.relative_to(folder).as_posix().removesuffix(ENDING): blocks_of(
            path.read_text("utf-8"), file=path.name
        )
        for path in sorted(folder.rglob(f"*{ENDING}"))
    }


def blocks_of(text: str, *, file: str) -> dict[str, Wording]:
    """Read a file of wordings, of ours or of a tester's: blocks of text that place values.

    Raises
    ------
    RenderError
        It is more than that; the line names `file`, the line in it, and what stands there.
    """
    try:
        tree = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).parse(text)
    except TemplateSyntaxError as error:
        raise _fault(file, error.lineno, what=str(error.message)) from error
    except (RecursionError, ValueError) as error:
        raise _fault(file, 1, what="this can't be read as blocks of text.") from error
    found: dict[str, Wording] = {}
    for node in tree.body:
        if isinstance(node, nodes.Block):
            if node.name in found:
                raise _fault(file, node.lineno, what=f"block {node.name!r} stands here again.")
            found[node.name] = _wording(node, file=file)
            continue
        outside = "".join(getattr(leaf, "data", "{{") for leaf in getattr(node, "nodes", ["{"]))
        if outside.strip():
            line = node.lineno + outside[: -len(outside.lstrip())].count("\n")
            raise _fault(file, line, what="this stands outside of a block, and would not be said.")
    return found


def _wording(block: nodes.Block, *, file: str) -> Wording:
    text = ""
    places: dict[str, int] = {}
    for node in block.body:
        for leaf in node.nodes if isinstance(node, nodes.Output) else [node]:
            if isinstance(leaf, nodes.TemplateData):
                text += leaf.data
            elif isinstance(leaf, nodes.Name):
                text += f"{{{{ {leaf.name} }}}}"
                places.setdefault(leaf.name, leaf.lineno)
            else:
                kind = type(leaf).__name__.lower()
                what = f"only text and {{{{ value }}}} may stand in a block; this is more ({kind})."
                raise _fault(file, leaf.lineno, what=what)
    return Wording(line=block.lineno, text=text.strip(), places=places)


def _fault(file: str, line: int, *, what: str) -> RenderError:
    return RenderError(one_line(f"{file}, line {line}: {' '.join(what.split())}"))


def own_words(folder: str | Path, *, words: str | None) -> Own:
    """Read a tester's own wordings; empty where there are none.

    Parameters
    ----------
    folder : of the session or comparison
    words : their folder, as seen from `folder`; None for `BESIDE` where it holds any; "" for none

    Raises
    ------
    RenderError
        The folder is not there or lies in a session's, or a file in it has a block or a value that
        ours has not, or more than text and values.
    """
    session = Path(folder).resolve()
    place = Path(os.path.normpath(session / (f"../{BESIDE}" if words is None else words)))
    if words == "" or (words is None and not _files(place)):
        return {}
    if _in_a_session(place, session=session):
        raise RenderError(
            one_line(
                f"{place}: lies in a session's folder, which may be somebody else's. Keep your "
                "wordings outside, or go without them: --words ''"
            )
        )
    known = slots()
    own = {}
    for name in _files(place):
        path, slot = place / name, name.removesuffix(ENDING)
        if slot not in known:
            wanted = [f"{one}{ENDING}" for one in known]
            raise RenderError(one_line(f"{path}: no such file is known.{_near(name, wanted)}"))
        try:
            own[slot] = files.read_bytes(path, inside=place).decode("utf-8-sig")
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "it is not UTF-8"
            raise RenderError(one_line(f"{path}: can't be read ({reason}).")) from error
        for block, wording in blocks_of(own[slot], file=str(path)).items():
            _require_known(block, wording, ours=known[slot], file=str(path))
    if not own:
        raise RenderError(
            one_line(
                f"{place}: holds no wordings, files such as in-short{ENDING}. Name their folder, "
                "or go without them: --words ''"
            )
        )
    return own


def _files(place: Path) -> list[str]:
    """Return what may be a file of wordings in a folder, or in its ``comparison``."""
    found = []
    for inner in ("", "comparison/"):
        try:
            names = sorted(one.name for one in (place / inner).iterdir())
        except OSError:
            continue
        found += [f"{inner}{one}" for one in names if one.endswith(".j2") and one[0] != "."]
    return found


def _in_a_session(place: Path, *, session: Path) -> bool:
    """Whether a folder lies in a session's, by its name or by where links lead."""
    try:
        real = place.resolve()
        return any(
            one.resolve() == session or (one / "session.toml").exists()
            for one in (place, *place.parents, real, *real.parents)
        )
    except (OSError, RuntimeError, ValueError) as error:  # links in a circle, no possible path
        reason = f"can't be read ({type(error).__name__}). Name another with --words."
        raise RenderError(one_line(f"{place}: {reason}")) from error


def _require_known(block: str, wording: Wording, *, ours: Mapping[str, Wording], file: str) -> None:
    if block not in ours:
        what = f"there is no block {block!r}.{_near(block, list(ours))}"
        raise _fault(file, wording.line, what=what)
    known = [*ours[block].places, *STATED]
    for value, line in wording.places.items():
        if value not in known:
            what = f"block {block!r} has no value {value!r}.{_near(value, known)}"
            raise _fault(file, line, what=what)


def _near(word: str, known: list[str]) -> str:
    return f" The nearest is {nearest(word, known, cutoff=0.0)!r}; 'upheld words' lists all."


def left_out(own: Own) -> tuple[str, ...]:
    """Return what a tester's wordings leave out that ours say, one line each.

    Told are values that ours place, and that something may be or can't be told.
    """
    found = []
    known = slots()
    for slot, text in own.items():
        for block, wording in blocks_of(text, file=slot).items():
            ours = known[slot][block]
            missing = [f"{{{{ {one} }}}}" for one in ours.places if one not in wording.places]
            missing += [
                f"“{word}”"
                for word, same in _UNSURE.items()
                if _says(same, ours.text) and not _says(same, wording.text)
            ]
            if missing:
                what = f"block {block!r} leaves out {', '.join(missing)}, which ours says."
                found.append(f"{slot}{ENDING}, line {wording.line}: {what}")
    return tuple(found)


def _says(words: str, text: str) -> bool:
    return re.search(rf"\b({words})\b", text, re.IGNORECASE) is not None
