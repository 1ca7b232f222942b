"""Reports on loudspeaker compression: whether the output keeps up with the volume.

Read a session folder, analyse it, look at its bands, draw a figure::

    import reportlib

    folder = "demo_inputs/trivet-6"
    day = reportlib.read_session(folder)
    report = reportlib.analyse(day, parameters=reportlib.checked_parameters(session=folder))
    for band in report.bands:
        print(band.test, band.level_db, band.band, band.mean_db, band.u95_db, band.grade)
    reportlib.figures.turned_up(report)  # shows itself in Jupyter, as tables do
    reportlib.tables.band_table(report)

What is public is the names used here, with ``figures`` and ``tables`` those that their
``__all__`` lists, and the records that they take and return. What a user can mend raises a
``reportlib.errors.ReportError``, one line. The rooms, in the order in which data pass them; each
imports from those before it:

    session, measure, check, judge, write, draw, publish    one session, from its folder to pages
    many, plan      many sessions beside each other; a measuring day before there is one
    cli, simulate   the command line above; the known-answer loudspeaker beside
"""

import functools
import importlib
import sys
from collections.abc import Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "analyse": "judge.analysis",
    "checked_parameters": "session.parameters",
    "read_session": "session.reading",
}
_EARLIER: dict[str, tuple[str, ...]] = {
    "analysis": ("judge.analysis", "judge.measuring"),
    "audibility": ("judge.heard",),
    "balance": ("judge.heard",),
    "beside": ("many.comparison",),
    "comparison_memory": ("many.comparison",),
    "comparison_tables": ("many.tables",),
    "compression": ("measure.compression",),
    "deconvolution": ("measure.deconvolution",),
    "each": ("many.comparison",),
    "exposure": ("judge.exposure",),
    "facts": ("write.facts", "write.quotes", "numbers", "measure.levels"),
    "figures": ("draw.figures", "many.figures"),
    "gate": ("measure.response",),
    "grades": ("judge.grades",),
    "judged": ("judge.records",),
    "levels": ("measure.levels",),
    "limits": ("judge.limits",),
    "loudness": ("measure.levels",),
    "memory": ("publish.results",),
    "model": ("judge.records", "measure.records", "session.records", "write.quotes"),
    "noise": ("measure.noise",),
    "parameters": ("session.parameters",),
    "playing": ("judge.analysis",),
    "quotes": ("write.quotes",),
    "response": ("measure.response",),
    "results": ("write.data",),
    "rooms": ("judge.seat",),
    "shown": ("write.shown",),
    "stimulus": ("measure.sweep",),
    "tables": ("draw.tables",),
    "thresholds": ("judge.thresholds",),
    "uncertainty": ("measure.uncertainty",),
    "wording": ("numbers",),
    "words": (),
    "words.calculator": ("write.data",),
}
"""Modules that cells of notebooks made earlier import, and where their names are now."""


def __getattr__(name: str) -> Any:
    """Import what is public when it is asked for: importing the package itself costs nothing."""
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"{__name__}.{_PUBLIC[name]}"), name)
    if name in _EARLIER:
        return importlib.import_module(f"{__name__}.{name}")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


class _Earlier(MetaPathFinder, Loader):
    """Finds the modules of `_EARLIER`: each hands out names of today's modules, and holds none."""

    def find_spec(  # noqa: PLR0917 (called so by the import system)
        self,
        fullname: str,
        path: Sequence[str] | None,
        target: ModuleType | None = None,
    ) -> ModuleSpec | None:
        """Return how to load it, None where it is no such module."""
        package, _, name = fullname.partition(".")
        if package != __name__ or name not in _EARLIER:
            return None
        return ModuleSpec(fullname, self, is_package=any(f"{name}." in one for one in _EARLIER))

    def exec_module(self, module: ModuleType) -> None:
        """Let it look its names up where they are now."""
        vars(module)["__getattr__"] = functools.partial(_today, module.__name__)


def _today(earlier: str, name: str) -> Any:
    said = [f"module {earlier!r} has no attribute {name!r}"]
    for module in _EARLIER[earlier.partition(".")[2]]:
        try:
            return getattr(importlib.import_module(f"{__name__}.{module}"), name)
        except AttributeError as error:
            said += [str(error)] * ("is no more" in str(error))  # it names what came after
    raise AttributeError(said[-1])


sys.meta_path.append(_Earlier())
